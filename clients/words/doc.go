// Package words turns the values of the contract into plain words and back:
// REPORT_KIND_NEAR_MISS is `near-miss` on a command line, "near miss" in a
// table, and "Near miss" in somebody's spreadsheet.
//
// It stands between people and the generated messages, for the command line,
// mapping files and hours files alike. The words are derived from the names in
// the contract, so that a new value needs no second list. It never guesses: a
// word that fits no value is an error that lists the words that do.
package words
