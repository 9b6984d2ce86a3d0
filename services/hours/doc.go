// Package hours is HoursService: hours worked and heads, the denominators of
// every rate.
//
// It stands beside the way of a report: reports give the numerators, this room
// the denominators, and the facts projection follows both. A file of hours is
// taken whole or not at all. Every line is checked, every refusal names its
// line, its column and the cure, and all of them are said at once; the same
// file again writes nothing.
//
// Hours lie at one level of each branch of the tree, so that none are counted
// twice; a figure that is stored is changed only by a restatement that says
// why, and the earlier one stays in the log; a month without a row stays
// missing.
//
// The room never fills in, spreads or estimates hours, and never says anything
// of a single person.
package hours
