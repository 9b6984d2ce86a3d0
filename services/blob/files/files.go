package files

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"time"

	"fairlead/services/blob"
)

// partial is what the names of unfinished files begin with.
const partial = "part-"

// Store is a folder of files.
type Store struct {
	dir   string
	clock func() time.Time
}

var _ blob.Store = (*Store)(nil)

// Open returns the store in a folder, which it makes when it is missing. clock
// dates what is put; nil is the real one.
func Open(dir string, clock func() time.Time) (*Store, error) {
	if clock == nil {
		clock = time.Now
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("blob/files: open: %w", err)
	}
	return &Store{dir: dir, clock: clock}, nil
}

// path returns the folder and the file of a hash.
func (s *Store) path(hash string) (folder, file string, err error) {
	if !blob.ValidHash(hash) {
		return "", "", blob.ErrHash
	}
	folder = filepath.Join(s.dir, hash[:2])
	return folder, filepath.Join(folder, hash[2:]), nil
}

// Put implements blob.Store.
func (s *Store) Put(ctx context.Context, r io.Reader) (ref blob.Ref, err error) {
	f, err := os.CreateTemp(s.dir, partial)
	if err != nil {
		return blob.Ref{}, failed("make a file", err)
	}
	defer func() {
		if err != nil {
			_ = f.Close()           // it may be closed already
			_ = os.Remove(f.Name()) // Tidy removes what this does not
		}
	}()
	h := sha256.New()
	n, err := io.Copy(io.MultiWriter(f, h), blob.WithContext(ctx, r))
	if err != nil {
		return blob.Ref{}, failed("write", err)
	}
	ref = blob.Ref{SHA256: hex.EncodeToString(h.Sum(nil)), Size: n}
	now := s.clock()
	if err := errors.Join(f.Sync(), f.Close(), os.Chtimes(f.Name(), now, now)); err != nil {
		return blob.Ref{}, failed("force to disk", err)
	}
	folder, file, err := s.path(ref.SHA256)
	if err != nil {
		return blob.Ref{}, err
	}
	switch err := os.Mkdir(folder, 0o700); {
	case err == nil:
		if err := syncFolder(s.dir); err != nil {
			return blob.Ref{}, failed("force the folder to disk", err)
		}
	case !errors.Is(err, fs.ErrExist):
		return blob.Ref{}, failed("make a folder", err)
	}
	// Over bytes that are there already too: theirs may be spoilt, these are
	// not.
	if err := os.Rename(f.Name(), file); err != nil {
		return blob.Ref{}, failed("rename", err)
	}
	if err := syncFolder(folder); err != nil {
		return blob.Ref{}, failed("force the folder to disk", err)
	}
	return ref, nil
}

// Open implements blob.Store.
func (s *Store) Open(_ context.Context, hash string) (io.ReadSeekCloser, int64, error) {
	_, file, err := s.path(hash)
	if err != nil {
		return nil, 0, err
	}
	f, err := os.Open(file)
	if err != nil {
		return nil, 0, failed("open "+hash, err)
	}
	at, err := f.Stat()
	if err != nil {
		return nil, 0, failed("open "+hash, errors.Join(err, f.Close()))
	}
	return f, at.Size(), nil
}

// Remove implements blob.Store.
func (s *Store) Remove(_ context.Context, hash string) error {
	_, file, err := s.path(hash)
	if err != nil {
		return err
	}
	if err := os.Remove(file); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return failed("remove "+hash, err)
	}
	return nil
}

// Walk implements blob.Store.
func (s *Store) Walk(ctx context.Context, fn func(blob.Entry) error) error {
	folders, err := os.ReadDir(s.dir)
	if err != nil {
		return failed("list", err)
	}
	for _, folder := range folders {
		if !folder.IsDir() || len(folder.Name()) != 2 {
			continue
		}
		files, err := os.ReadDir(filepath.Join(s.dir, folder.Name()))
		if err != nil {
			return failed("list", err)
		}
		for _, f := range files {
			if err := ctx.Err(); err != nil {
				return err
			}
			hash := folder.Name() + f.Name()
			if !blob.ValidHash(hash) {
				continue // somebody else's
			}
			at, err := f.Info()
			if errors.Is(err, fs.ErrNotExist) {
				continue // removed meanwhile
			}
			if err != nil {
				return failed("list", err)
			}
			if err := fn(blob.Entry{Ref: blob.Ref{SHA256: hash, Size: at.Size()}, Time: at.ModTime()}); err != nil {
				return err
			}
		}
	}
	return nil
}

// Tidy implements blob.Store.
func (s *Store) Tidy(ctx context.Context, before time.Time) (removed int, err error) {
	list, err := os.ReadDir(s.dir)
	if err != nil {
		return 0, failed("list", err)
	}
	for _, f := range list {
		if ctx.Err() != nil {
			return removed, ctx.Err()
		}
		if !strings.HasPrefix(f.Name(), partial) || f.IsDir() {
			continue
		}
		at, err := f.Info()
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return removed, failed("list", err)
		}
		if !at.ModTime().Before(before) {
			continue
		}
		if err := os.Remove(filepath.Join(s.dir, f.Name())); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return removed, failed("remove what was left", err)
		}
		removed++
	}
	return removed, nil
}

// syncFolder forces the names in a folder to disk. Windows does that by itself
// and cannot be asked.
func syncFolder(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

func failed(what string, err error) error {
	switch {
	case errors.Is(err, syscall.ENOSPC):
		return fmt.Errorf("blob/files: %s: %w", what, blob.ErrFull)
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("blob/files: %s: %w", what, blob.ErrNotFound)
	}
	return fmt.Errorf("blob/files: %s: %w", what, err)
}
