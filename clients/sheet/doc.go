// Package sheet reads a table that a spreadsheet or a database wrote as text
// (comma, semicolon, tab or bar between the cells), row by row.
//
// It is the first step of every import: hours files and files of old records
// come through it. It knows the habits of spreadsheets (byte order marks, a
// first line `sep=;`, empty cells at the end, line breaks inside quotes) and
// remembers the line of every row, so that whoever mends the file finds it.
//
// A row that cannot be read is a [RowError] and reading goes on with the next
// line: one stray quotation mark never swallows the rows below it. The file is
// never held in memory. The package guesses nothing that two readers could
// take differently, and never says what stood in a cell.
package sheet
