// Package sqlite is the ledger of one machine: one SQLite file in a data
// folder, written by one goroutine, read by many.
//
// It is the default backend of services/ledger, and with it the place where a
// report is at rest. It never looks into a body and never logs one.
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
// The file is in write-ahead mode with synchronous FULL: a commit returns after
// the log is synced. Both settings are read back at start, and the ledger
// refuses to run without them.
//
// # How it is laid out
//
// Table changes holds the log with every body, once. Table resources holds for
// each name its kind, revision and the change that wrote it; the body is read
// from there, so the current state cannot drift from the log. Against a second
// copy of the body in resources this takes 1,171 bytes a row in place of 2,240
// for bodies of 900, and point reads are no slower (BenchmarkLayout). Table
// requests remembers every request id for ever with its answer; table claims
// holds unique keys. Claims and answers are not part of the hash chain. A
// service keeps its answers small: what was written can be had again with
// GetAt and the number in the receipt.
//
// A data folder holds ledger.db (with -wal and -shm beside it while open) and
// ledger.lock, which keeps a second process from writing. All are readable by
// their owner only.
package sqlite
