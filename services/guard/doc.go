// Package guard holds back small counts, from which a person could be named.
//
// It is a leaf that any room may use before a figure leaves the house: export
// for what is handed over, measure for whoever does not read the reports
// ([Applies]). What is held back is marked and counted, never dropped, and more
// is held back with it until none of it follows from what stays.
//
// [Table] and [List] guard one answer: complementary suppression as statistical
// offices do it, greedily (Hundepool and others, Statistical Disclosure Control,
// 2012, ch. 4: from memory). Two such tables of overlapping periods or places can
// still be subtracted from each other; they serve for facts that whoever works
// there may know. [Lattice] guards what nobody may find out, health facts, over
// all places of a closed year at once, so that no difference of two answers tells
// one. It changes no count that it shows, and knows nothing of what somebody has
// heard elsewhere.
package guard
