package server

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"fairlead/services/blob"
	"fairlead/services/blob/files"
	blobpg "fairlead/services/blob/postgres"
)

// OpenFiles opens the store of photos and sound of a house: large objects in
// its database, which all its servers share, or the folder FilesFolder in its
// data folder. With look it is only read, and nothing is made that is missing.
// Close it when done.
func OpenFiles(ctx context.Context, data, database string, look bool, clock func() time.Time) (blob.Store, io.Closer, error) {
	if database == "" {
		s, err := files.Open(filepath.Join(data, FilesFolder), clock)
		if err != nil {
			return nil, nil, fmt.Errorf("server: photos and sound: %w", err)
		}
		return s, io.NopCloser(nil), nil
	}
	cfg, err := pgxpool.ParseConfig(database)
	if err != nil {
		// The parser's words may hold what it could not read.
		return nil, nil, errors.New("server: photos and sound: the address of the database cannot be read; write postgres://user@host:5432/name")
	}
	// Reading holds a connection each; more readers than this take turns.
	cfg.MaxConns = 16
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return nil, nil, fmt.Errorf("server: photos and sound: %w", err)
	}
	if look {
		return blobpg.Existing(pool), closing(pool.Close), nil
	}
	s, err := blobpg.Open(ctx, pool, clock)
	if err != nil {
		pool.Close()
		return nil, nil, fmt.Errorf("server: photos and sound: %w", err)
	}
	return s, closing(pool.Close), nil
}

// closing is a function that closes something and cannot fail.
type closing func()

// Close implements io.Closer.
func (c closing) Close() error { c(); return nil }
