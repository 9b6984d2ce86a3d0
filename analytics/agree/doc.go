// Package agree says how well people who code the same reports agree beyond
// what chance alone would give, and how sure that figure is.
//
// It is a side step on the way of a figure: the classification service hands in
// codes that several people gave blind to each other, and every chart built on
// codes can then say how far the codes can be trusted. Two coders: [Cohen].
// Always the same number of coders: [Fleiss], which also says which categories
// are hard to tell apart. Any number, with gaps, on any scale: [Krippendorff].
//
// The package never names or grades a coder, never turns a figure into a word
// such as "good", never treats a missing code as a disagreement, and never
// returns NaN or an infinity: where all codes are the same there is nothing to
// agree on beyond chance, and the result says so.
package agree
