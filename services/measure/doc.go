// Package measure is MeasureService: rates, control charts, tables and cause
// analytics, each with everything needed to judge it.
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
// Causes are counted by the same facts, left to analytics/cause, and said with
// what was tried, what lacks a value and what nobody has reviewed. Every number
// carries the filter that finds exactly its reports. Nothing found to go together
// is called a cause. Small counts are held back from all but advisers and
// auditors, by services/guard, together with everything they would follow from.
//
// The package never ranks people, and places never by anything but plain counts
// that say beside them that they are no comparison; it never sets a target, never
// says that a figure is good, and never mixes conventions.
package measure
