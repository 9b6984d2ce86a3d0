// Package figure draws the project's charts without knowing where they will be
// shown.
//
// It is the step between a computed result and a reader's eye: a chart (for
// example [Control]) is plain Go data, filled from analytics results; its
// Layout method measures text, places every label and returns a [Figure], a
// flat list of lines, circles and words in points. A Figure writes itself as
// accessible SVG, hands its facts over as a [Table] for readers who do not see
// it, and plays itself to any [Device], so that a PDF writer draws exactly the
// same picture.
//
// The look is an engineer's plot: thin axes that end where the data ends, ticks
// outside, words beside the thing they name instead of a legend, and shapes
// that survive black-and-white print (open circle, filled diamond, hatch,
// bracket, broken axis). Colour never carries a meaning alone.
//
// What it never does: it computes no statistics, decides no signal, imports
// nothing but the standard library, reads no clock and no file, and emits no
// script, no style attribute and no number that is not finite. The plain
// sentence and the method belong to the page around the figure.
//
// # Sizes
//
// Text must stay readable on a phone, so a figure is laid out for a width, not
// scaled to it: lay the same chart out with [Wide], [Narrow] or [Print]. The
// page shows the wide one and the narrow one by a width rule in its style
// sheet; see [Pair].
package figure
