// Package hours is HoursService: hours worked and heads, the denominators of
// every rate.
//
// It stands beside the way of a report: reports give the numerators, this room
// the denominators, and the facts projection follows both. Hours lie at one
// level of each branch of the tree, so that none are counted twice; a figure
// that is stored is changed only on purpose and with a reason; a month without
// a row stays missing.
//
// The room never fills in, spreads or estimates hours.
package hours
