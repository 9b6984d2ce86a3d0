package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlstore"
)

// CopyToFile writes a ledger of any backend to a new file, in the format of
// Backup, and checks it. The file appears under its name only when it is whole,
// sound and on disk.
func CopyToFile(ctx context.Context, from *sqlstore.Store, dest string) (report ledger.Report, err error) {
	if err := setUp(); err != nil {
		return report, err
	}
	if dest, err = filepath.Abs(dest); err != nil {
		return report, fmt.Errorf("ledger: copy: %w", err)
	}
	if err := absent(dest); err != nil {
		return report, fmt.Errorf("ledger: copy to %s: %w", dest, err)
	}
	part, err := partFile(dest)
	if err != nil {
		return report, fmt.Errorf("ledger: copy to %s: %w", dest, err)
	}
	defer func() {
		for _, suffix := range []string{"", "-wal", "-shm"} {
			_ = os.Remove(part + suffix) // gone already, if all went well
		}
	}()
	if report, err = fill(ctx, from, part); err != nil {
		return report, err
	}
	if err := publish(part, dest); err != nil {
		return report, fmt.Errorf("ledger: copy to %s: %w", dest, err)
	}
	return report, nil
}

// CopyToFolder puts a ledger of any backend into a data folder that holds none.
func CopyToFolder(ctx context.Context, from *sqlstore.Store, dir string) (ledger.Report, error) {
	held, err := Hold(dir)
	if err != nil {
		return ledger.Report{}, err
	}
	defer held.Close()
	dest := filepath.Join(dir, dataFile)
	for _, suffix := range []string{"-wal", "-shm", "-journal"} {
		if err := absent(dest + suffix); err != nil {
			return ledger.Report{}, fmt.Errorf("ledger: copy to %s: %w", dir, err)
		}
	}
	return CopyToFile(ctx, from, dest)
}

// fill makes a ledger of an empty file, with everything of another in it, and
// leaves no file beside it.
func fill(ctx context.Context, from *sqlstore.Store, path string) (report ledger.Report, err error) {
	db, err := sql.Open(driverName, writerDSN(path))
	if err != nil {
		return report, fmt.Errorf("ledger: open: %w", err)
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	db.SetMaxOpenConns(1)
	if err := migrate(ctx, db); err != nil {
		return report, err
	}
	conn, err := connect(ctx, db)
	if err != nil {
		return report, err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	if report, err = sqlstore.Copy(ctx, from, engine(), conn); err != nil {
		return report, err
	}
	// As a backup is: without the write-ahead log, which a reader would open
	// beside it.
	var mode string
	if err := conn.QueryRowContext(ctx, "PRAGMA journal_mode = DELETE").Scan(&mode); err != nil {
		return report, fmt.Errorf("ledger: copy: fold the log in: %w", tell(err))
	}
	if mode != "delete" {
		return report, fmt.Errorf("ledger: copy: the log could not be folded in: the file is in mode %s", mode)
	}
	return report, nil
}
