// Package change says whether a series of counts changed, when, and by how
// much: at a date sought in the data ([Find], [FindInTime]), at a date that was
// fixed beforehand ([Interrupted]), or steadily over time ([Poisson] and
// [NegativeBinomial] regression with a trend and a season).
//
// It is a step on the way of a figure beside spc: a service hands in counts per
// month with hours worked, and gets back estimates with intervals, p-values and
// the words to print when there is no answer. Months without hours say nothing
// about a rate; leave them out or hand in zero hours and zero cases.
//
// A date sought in the data is a guess among many: the p-value here allows for
// the search, as an ordinary test does not. Regression says how sure a trend is
// under its model; where counts spread more than the model allows it says so
// and gives the wider standard errors.
//
// The package never says what made a change, never forecasts, never chooses a
// model by itself, and never returns NaN or an infinity.
package change
