// Package receipts lets whoever told something hear what came of it, answer
// questions, and say that it is not fixed, by the code on the receipt and
// without a name; and lets those who look after a report ask and tell.
//
// It comes after intake: intake gives the code out and keeps its hash, this
// package knows the report by it. Messages are resources below the report,
// sealed, one by one, and carry a day, never a time.
//
// A teller who comes by the code is nobody: the log names no one and keeps the
// day, not the minute, unless the report was told openly. What remains is the
// order of the log: somebody who can read all of it sees between which two
// other changes a message came.
//
// [Mine] says the same, and no more, to whoever has signed in and told something
// under their own name. [Owners] finds those reports from memory; what it finds is
// checked against the ledger each time, and what was told in confidence or without
// a name is nobody's.
//
// The package never repeats what was told, never says who else is concerned,
// never tells a teller who at the house wrote or looked, and never logs a code.
package receipts
