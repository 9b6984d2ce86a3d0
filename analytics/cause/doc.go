// Package cause looks for what goes together in reports: which categories
// weigh most ([ParetoOf]), which factors occur together more often than chance
// would have it ([CoOccurrence]), which cells of a cross-table stand out
// ([CrossTab]), and where something has lately begun to pile up ([Scan]).
//
// It is a step on the way of a figure beside rate: services count coded reports
// and hand in tables; what comes back carries counts, how many were unknown,
// intervals, and p-values that allow for everything that was looked at. With
// twenty factors there are 190 pairs, and about ten of them look remarkable at
// 5 % when nothing is going on: every search here is corrected over all that
// was tried, shown or not.
//
// The package never says that one thing caused another, never drops unknown
// answers silently (they are counted and shown), never names people, and never
// returns NaN or an infinity.
package cause
