// Package sqlstore is what the ledgers on SQL engines have in common: the queue
// of writers and their shared transactions, the statements, the reading, and
// the verification.
//
// It stands between services/ledger and its backends. A backend brings the
// connections, the schema and an [Engine], which says what its engine does in
// its own way; everything that decides whether a report is kept is here, once,
// and passes services/ledger/ledgertest on every engine.
//
// # How a write becomes durable
//
// Callers put their writes into a bounded queue. One goroutine takes whatever
// is waiting (no timer: while one commit syncs, the next batch gathers), opens
// one transaction, runs each callback inside a savepoint, commits, and only
// then answers. A callback's error rolls back its savepoint and nothing else;
// a panic becomes an error; one that ends the goroutine loses its own write and
// the batch starts again without it. If the commit fails, everybody in the
// batch is told so, because what each of them saw may have been a neighbour's
// write that is now gone.
//
// A transaction keeps every other writer away from its first statement on, in
// this process and in others, so that the numbers of the log have no gaps and
// commit in their order. The head is read anew in each.
//
// A connection may be lost while a commit is under way. The store then makes a
// new one and, once it is alone again, looks whether the log holds the last
// change of the batch: if so everybody is answered, if not the batch runs
// again. Nobody is ever told that a write failed that did not.
//
// # How it is laid out
//
// Table changes holds the log with every body, once. Table resources holds for
// each name its kind, revision and the change that wrote it; the body is read
// from there, so the current state cannot drift from the log. Table seals holds
// the keys of sealed names under the number of the first change they sealed; a
// destroyed key is NULL. The column changes.seal is that number, 0 for a body
// in the open, and -1 for one that was erased and replaced by its hash. Table
// requests remembers every request id for ever with its answer and a keyed
// fingerprint (8 bytes tell the secret, 32 are the mark; 32 alone are a plain one
// of an older program; none was erased); table claims
// holds unique keys, each with the number of the change they came with.
// Claims and answers are not part of the hash chain. A service keeps its
// answers small: what was written can be had again with GetAt and the number in
// the receipt.
package sqlstore
