// Package dist holds the probability distributions that rates, charts and
// comparisons rest on, with the guards that gonum leaves out.
//
// It is the first step on the way of a figure: rate and spc ask it for tail
// probabilities, quantiles and exact limits. Distributions are validated once,
// when they are made; after that their methods take any integer and cannot
// fail. Tail probabilities are computed on their own side (P(X >= x) is never
// one minus something), so that they stay accurate far out.
//
// The package never returns NaN or an infinity, never panics on data, and keeps
// no state apart from the memos of exact limits in [CountLimits] and
// [Thresholds], whose entries are pure functions of their index.
package dist
