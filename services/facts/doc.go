// Package facts keeps every report, person hurt and block of hours as dense
// columns of small codes in memory, and answers which reports match, in which
// order, and how many there are of what.
//
// It is step four of the way of one report: it follows the log (Report, Coding,
// Hours, and Workplace for time zones) and is the source of every list, table,
// rate and chart. It can be thrown away and rebuilt from the log at any time;
// what it then holds is the same, and [Facts.Digest] proves it.
//
// # What is counted
//
// The day of a report is that of the event in the time zone of its workplace;
// where the event's time is not known it is the day the report was received. A
// voided report is in nothing unless asked for. An amended report is replaced
// whole, so that a reclassified case moves once and is never in two classes.
//
// A report and a person hurt are counted apart. In a table of reports, outcome
// and employment group are those of the person worst hurt (the first of equals)
// and a code is that person's, or the report's own in a facet where the person
// has none. In a table of persons hurt, each counts once with their own outcome,
// group and codes; mechanism and agencies fall back to those of the report, and
// nature and bodily location do so only where one person was hurt, because they
// say something about a body and not about an event.
//
// What has no value is counted under the empty key, first. Nothing is dropped.
//
// # What it never does
//
// It holds no narrative, no name of a person and no teller. It works out no rate
// and draws no conclusion. It never writes to the ledger.
package facts
