// Package spc draws up control charts: it decides from counts and exposure
// which chart serves, computes its centre and limits, finds signals, and says
// in one plain sentence whether there is more here than chance.
//
// It is the third step on the way of a figure: services hand in one [Period]
// per month, get back a [Chart], and pass it to the drawing and to the page. A
// chart carries its kind, method, baseline and rules, so that a reader can
// repeat it. A period without exposure is a gap and never a zero; a point
// exactly on a limit is not out; a point on the centre ends a run.
//
// The package never says that a change is good or bad, never ranks places or
// people, never recomputes a frozen baseline by itself, and never returns NaN
// or an infinity.
package spc
