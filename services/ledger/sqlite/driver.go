package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"

	driver "modernc.org/sqlite"
	codes "modernc.org/sqlite/lib"

	"fairlead/services/ledger"
)

// This file alone knows which SQLite driver is used.

const driverName = "sqlite"

// busyTimeout is how long SQLite waits for a lock, in milliseconds. Only other
// tools (someone's sqlite3 shell) can hold one, because the lock file keeps a
// second ledger away.
const busyTimeout = 5000

// setUp tells the driver to sync as SQLite does in Linux distributions: with
// fdatasync, which writes the data and the file's length but not its time of
// change. Platforms without it keep fsync.
func setUp() error {
	if _, err := driver.Fdatasync(true); err != nil && !errors.Is(err, driver.ErrFdatasyncUnavailable) {
		return fmt.Errorf("ledger: set up sqlite: %w", err)
	}
	return nil
}

// writerDSN opens path for the one writing connection. The pragmas are part of
// the name, so that any connection the pool may open has them.
func writerDSN(path string) string {
	return dsn(path, "rw",
		"journal_mode(WAL)",
		"synchronous(FULL)",
		// Only macOS heeds these two: there, plain fsync stops at the
		// drive's cache.
		"fullfsync(1)",
		"checkpoint_fullfsync(1)",
		"foreign_keys(1)",
		"trusted_schema(0)",
		// What is erased is overwritten with zeros, not just unlinked.
		"secure_delete(1)",
		// Savepoints keep page copies; in memory they cost no file writes.
		"temp_store(MEMORY)",
		"cache_size(-65536)",
		"wal_autocheckpoint(4000)",
		// Gives space back after a burst or a long check.
		"journal_size_limit(67108864)",
	)
}

// readerDSN opens path for reading only. That is said by the mode; the pragma
// query_only would say it again, but also forbid the copy that Backup makes.
func readerDSN(path string) string {
	return dsn(path, "ro", "foreign_keys(1)", "trusted_schema(0)", "cache_size(-16384)")
}

// frozenDSN opens a file that nobody is writing and nobody may touch, such as
// a backup on a read-only medium.
func frozenDSN(path string) string { return readerDSN(path) + "&immutable=1" }

func dsn(path, mode string, pragmas ...string) string {
	p := filepath.ToSlash(path)
	if !strings.HasPrefix(p, "/") {
		p = "/" + p // C:/data on Windows
	}
	q := url.Values{"mode": {mode}}
	q.Add("_pragma", "busy_timeout("+strconv.Itoa(busyTimeout)+")")
	for _, pragma := range pragmas {
		q.Add("_pragma", pragma)
	}
	u := url.URL{Scheme: "file", Path: p, RawQuery: q.Encode()}
	return u.String()
}

// checkPragmas reads back what durability rests on. A driver ignores a pragma
// it does not understand, and some file systems cannot do WAL, so asking is
// the only way to know.
func checkPragmas(ctx context.Context, c *sql.Conn) error {
	for _, p := range []struct{ name, want string }{
		{"journal_mode", "wal"},
		{"synchronous", "2"}, // FULL
		{"foreign_keys", "1"},
		{"busy_timeout", strconv.Itoa(busyTimeout)},
	} {
		var got string
		if err := c.QueryRowContext(ctx, "PRAGMA "+p.name).Scan(&got); err != nil {
			return fmt.Errorf("ledger: read pragma %s: %w", p.name, err)
		}
		if got != p.want {
			return fmt.Errorf("ledger: sqlite has %s=%s and must have %s: refusing to run, a write might not survive a power cut (is the data folder on a network drive?)", p.name, got, p.want)
		}
	}
	return nil
}

// tell adds to a storage error the kind a caller can act on. It looks at codes,
// never at message text.
func tell(err error) error {
	switch code(err) {
	case codes.SQLITE_FULL:
		return fmt.Errorf("%w: %w", ledger.ErrFull, err)
	case codes.SQLITE_BUSY:
		return fmt.Errorf("%w: %w", ledger.ErrBusy, err)
	}
	return err
}

// code returns SQLite's primary result code, or 0 for another error.
func code(err error) int {
	var e *driver.Error
	if !errors.As(err, &e) {
		return 0
	}
	return e.Code() & 0xff
}

// isDamage says that the file itself is broken.
func isDamage(err error) bool {
	c := code(err)
	return c == codes.SQLITE_CORRUPT || c == codes.SQLITE_NOTADB
}

// isCannotOpen says that SQLite could not open or create a file it needs.
func isCannotOpen(err error) bool {
	c := code(err)
	return c == codes.SQLITE_CANTOPEN || c == codes.SQLITE_READONLY
}
