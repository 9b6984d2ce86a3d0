// Package predict says what the next period may bring: the chance that next
// year's count stays at or below a number, and the range it will probably fall
// in, if nothing changes.
//
// It is a side step on the way of a figure, after rate: a service hands in the
// cases and hours so far and the hours to come, and gets back a [Forecast] that
// allows for two kinds of luck at once, that of the coming period and that in
// the rate learnt from a short past. A target of "at most 4" is thereby shown as
// what it is: a wager with stated odds, and not a promise anybody can keep by
// effort alone.
//
// The package never sets or scores a target, never says that a count below one
// is an improvement, never looks for trends (a forecast holds only while the
// rate stays as it was), and never returns NaN or an infinity.
package predict
