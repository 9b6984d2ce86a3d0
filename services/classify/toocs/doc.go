// Package toocs holds the dated code tables of the Type of Occurrence
// Classification System and everything that may be asked of them.
//
// Its step on the way: a report has been filed in plain words; a coder (or a
// machine, whose suggestion a person confirms) now says what kind of
// occurrence it was. This package knows which codes exist, which may be
// given, what they are called, where they stand in their list, and which of
// them a few plain words may mean. The classification service around it
// keeps the answers.
//
// # Lists and facets
//
// There are four lists (mechanism, nature, bodily location, agency) and five
// facets, because the agency list answers two questions: what went wrong
// first (breakdown agency) and what did the harm (agency of injury). A
// [Table] is one dated edition of the four lists. [Default] is the embedded
// one; [Load] and [LoadDir] read another edition from files of the same
// shape, so that a newer edition needs no change to the program.
//
// # Which codes may be given
//
// A code is given at the most specific level its list has, because a count
// by heading can always be made from specific codes and never the other way
// round. So only a code without codes below it may be assigned:
//
//   - mechanism: the two-digit codes; the groups 0 to 9 are headings;
//   - nature: the three-digit codes; the letters A to R and the sub-groups
//     F1 to F3 and H1 to H6 are headings;
//   - bodily location: the three-digit codes; one and two digits are headings;
//   - agency: the four-digit codes and every three-digit category that is not
//     divided further. A divided category (461 ladders) is a heading here;
//     its last row (4619) takes what is other or not specified.
//
// Codes are text: mechanism 01 is a code, and 1 is the heading of another
// group. The written forms 6360 and 6369 of the undivided category 636 are
// accepted and stored as 636.
//
// # Crosswalks
//
// [Crosswalk] leads from codes of OIICS 2.01 and from the index keywords of
// OSHA investigation summaries to TOOCS. These are one compiler's judgement,
// never reviewed by a coder, and every answer says so.
//
// # What it never does
//
// It never decides a code: [Table.LookUp] ranks, a person chooses. It never
// returns a code that is not in the table, never guesses past a wrong code
// ([Table.Resolve] refuses and names the nearest), never keeps or repeats the
// words it was asked about, and never writes to disk or logs.
//
// # Credit
//
// TOOCS is © Commonwealth of Australia (Safe Work Australia). The embedded
// lists are a checked transcription of codes and titles, not the official
// file, and Safe Work Australia has not endorsed this program. Load the
// official file before relying on them; see data/toocs31/README.md.
package toocs
