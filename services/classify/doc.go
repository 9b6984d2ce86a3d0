// Package classify is ClassificationService: dated code tables, codes by plain
// words, and the codes that people give to reports.
//
// A report has been filed in plain words; here a coder answers five questions
// about it from the tables of services/classify/toocs. Codes lie in resources
// of their own beside the report, so that whoever told never sees them and a
// second coder can work blind.
//
// The room never chooses a code: it checks, canonicalises, offers, and stores
// what a person chose, with edition, coder and time.
package classify
