// Package postgres is the ledger of several servers: one PostgreSQL database
// that any number of them write and follow at the same time.
//
// It is the second backend of services/ledger, step three of the way of one
// report. The queue, the transactions and the statements are those of
// services/ledger/sqlstore; this package brings the connections, the schema and
// the news of what other servers have committed. It never looks into a body,
// never logs one, and never shows the password of a connection string.
//
// # Isolation
//
// Writers run at READ COMMITTED and take one advisory lock ([LockKey]) for the
// length of the transaction, before they read anything. So there is one writer
// at a time in all servers; every statement after the lock sees all that was
// committed before it; the head that a writer finds is the head, and the next
// number is the next. The log is without gaps and commits in the order of its
// numbers, with no sequence object involved. The lock is let go by PostgreSQL
// after the commit is visible, and also when a server dies.
//
// Verify and copies read at REPEATABLE READ, which in PostgreSQL is a snapshot
// of one moment. Other reads are single statements. A reader that sees change n
// therefore sees every change before n.
//
// # What is tried again
//
// A deadlock (40P01), a serialization failure (40001) and a cancelled statement
// (57014) undo the transaction, and the batch runs again, at most three times.
// A lost connection (class 08, 57P01 to 57P05, 25P03, 25006 on a server that
// became a standby, errors of the network) is made anew for up to five seconds;
// if it was lost during a commit, the store looks, holding the lock, whether
// the log has the batch's last change. Then everybody in the batch is answered,
// or the batch runs again: once either way. If the database does not come back
// in time, writers get [ledger.ErrAway], or [ledger.ErrUnknown] when a commit
// was under way; the same request id settles it later. A server that waits ten
// seconds for the lock (55P03) answers [ledger.ErrBusy], and one that stands
// still for eight seconds in a transaction loses its connection, so that a
// frozen server does not stop the others. A full disk is [ledger.ErrFull].
//
// # What it needs
//
// A database of its own, or at least the schema "fairlead" in one: all tables
// are there, and a schema of that name with other tables is refused. The
// statements are prepared and LISTEN needs a session: connect directly or
// through a proxy that pools sessions, not transactions. Durability rests on
// fsync, full_page_writes and synchronous_commit; the store reads them and
// refuses to run if they are off. With a replica that may take over, set
// synchronous_standby_names, or the last acknowledged writes can be lost with
// the machine, and name all hosts in the connection string with
// target_session_attrs=read-write.
//
// # What an erasure leaves
//
// A destroyed sealing key is overwritten by an update and the table vacuumed,
// which makes the old row unreachable and its space free for reuse. PostgreSQL
// does not blank the bytes. They may remain in the page until it is written
// over, and they do remain in the write-ahead log until its segments are
// recycled, in archived segments, and in base backups: keep those no longer
// than the promise made to people allows.
package postgres
