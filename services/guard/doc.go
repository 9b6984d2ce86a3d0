// Package guard holds back small counts, from which a person could be named.
//
// It is a leaf that any room may use before a table leaves the house: export
// for what is handed over, measure for whoever is neither adviser nor auditor.
// What is held back is marked and counted, never dropped, and more is held back
// with it until none of it follows from the totals that stay.
//
// This is the complementary suppression of statistical offices, done greedily
// (Hundepool and others, Statistical Disclosure Control, 2012, ch. 4: from
// memory). It guards one table. Two tables of overlapping periods or places can
// still be subtracted from each other; what it cannot do is said here so that
// nobody relies on it. It changes no count that it shows.
package guard
