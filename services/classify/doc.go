// Package classify is the ClassificationService: dated code tables, codes by
// plain words, and the codes that people give to reports.
//
// Its step on the way of one report: a report has been filed in plain words;
// here a coder answers up to five questions about it from the tables of
// [fairlead/services/classify/toocs]. Every code is checked, put into its
// canonical form, and stored with edition, coder and time. A wrong one is
// refused with the nearest that may be given, by number and by words.
//
// Codes lie in resources of their own beside the report, so that whoever told
// never sees them, and a second coder can work blind: no answer of this room to
// a coder holds another's codes. Only roles whose view has codes may give or
// list them. The history of a coding keeps every state.
//
// A hazard or a near miss hurt nobody: its mechanism and breakdown agency are
// coded for what would have done the harm, and nature, bodily location and
// agency do not apply. That is this project's addition to the scheme.
//
// [Tables] is what other rooms are wired to: it checks the codings of an
// import, and tells facts the codes above a code and their titles.
//
// The room never chooses a code, never teaches a table from what was coded,
// and never calls a pair of codes odd without a source.
package classify
