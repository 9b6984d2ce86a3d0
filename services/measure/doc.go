// Package measure is MeasureService: rates, control charts and tables, each with
// everything needed to judge it.
//
// It is step six of the way of one report. It asks the facts for cases, reports
// and hours, all at one sequence number, picks what counts by the convention
// that was asked for ([conventions] is the whole table), leaves the arithmetic
// to analytics/rate and analytics/spc, and says in words what came out.
//
// Rules that hold for every figure: a rate is the sum of cases over the sum of
// exposure, never a mean of rates; the same people stand above and below the
// line; a month without hours makes the rate undefined and never zero; no cases
// with hours is zero with an upper limit; what was left out, assumed or
// estimated is said beside the figure; numbers are rounded once, in the
// sentence, half up, from the exact fraction.
//
// The package never ranks places or people, never sets a target, never says
// that a figure is good, and never mixes conventions.
package measure
