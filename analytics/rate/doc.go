// Package rate turns a count and an exposure into a rate with its interval,
// and compares two of them.
//
// It is the second step on the way of a figure, after dist: services hand in
// counts and hours they have already chosen by a convention, and get back a
// [Rate] that carries numerator, denominator, base, interval, level and method,
// so that a page can print all of them. A rate without hours is not zero: it
// is undefined and says why. Several periods are pooled as a ratio of sums,
// never as a mean of rates.
//
// The package never decides what counts as a case, never counts lost days
// (those are conventions of a service), never ranks people or places, and never
// returns NaN or an infinity.
package rate
