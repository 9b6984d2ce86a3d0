// Package importer turns somebody else's table of incidents into reports.
//
// A mapping file, written by whoever knows the table, says which column holds
// what. The package reads the table row by row, makes of each row an
// [pb.ImportRecord] (a report with its origin, the persons hurt, and codes led
// over by a crosswalk), and hands batches to ReportService.ImportReports. It
// is the way in for old registers and public data; the day's own reports are
// filed, not imported.
//
// # What it promises
//
//   - A mapping with a mistake does nothing: each mistake is named with its
//     line ([MappingError]).
//   - A row that cannot be taken stops no other row. It is written to the file
//     of errors with line, column, value and cure.
//   - The same row is the same report, however often it is sent: its name is
//     made from the data set and the id in the source.
//   - It can stop at any moment and go on where it was.
//   - Nothing is cut short, guessed or filled in silently. What the source
//     does not say is "not known" or "not asked", as the mapping decides.
//   - A code that a crosswalk gave says so, and keeps the code it came from.
//
// It holds one batch at a time, and a few dozen bytes for each id, never the file.
// It never keeps who told: names of tellers have no place in an import.
package importer
