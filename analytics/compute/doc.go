// Package compute is the counter at which anybody may hand in numbers of their
// own and get back the figures the house itself uses: every method of analytics
// under one plain name, from a decoded JSON object to a decoded JSON object.
//
// It stands beside the way of a figure, not on it: the service "compute" and
// the command `fairlead compute` call it, and a stranger reads in its table what
// each method wants, what it gives and where it comes from. [Methods] is that
// table; [Run] checks the inputs against it, says everything that is wrong with
// them at once, works the figures out, and adds one plain sentence, the method
// in words, notes, and where it helps a drawing.
//
// In words of the table: positions in a series count from 1; a list may have
// gaps (null) only where the table says so, and a gap means "not known", never
// zero; what has no value in the answer is null and has a reason in
// [Result.Absent]. Numbers are those of JSON, so that whole numbers keep their
// digits up to 2^53.
//
// The package never keeps what it was handed, never reads a clock, a file or a
// random source of its own (a seed is an input, and stated in the answer), never
// returns NaN or an infinity, and never lets one call run away: the sizes it
// takes are bounded, and the bounds are in the table.
package compute
