// Package sqlite is the ledger of one machine: one SQLite file in a data
// folder, written by one goroutine, read by many.
//
// It is the default backend of services/ledger, and with it the place where a
// report is at rest. It never looks into a body and never logs one.
//
// The queue, the transactions and the statements are those of
// services/ledger/sqlstore; this package brings the file.
//
// # How a write becomes durable
//
// The file is in write-ahead mode with synchronous FULL: a commit returns after
// the log is synced. Both settings are read back at start, and the ledger
// refuses to run without them.
//
// Bodies lie in the log once. Against a second copy in the table of resources
// this takes 1,171 bytes a row in place of 2,240 for bodies of 900, and point
// reads are no slower (BenchmarkLayout).
//
// What is erased is overwritten (secure_delete) and the write-ahead log is
// folded in and cut at once.
//
// A data folder holds ledger.db (with -wal and -shm beside it while open) and
// ledger.lock, which keeps a second process from writing. All are readable by
// their owner only.
package sqlite
