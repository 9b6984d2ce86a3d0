package keep

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"fairlead/services/blob"
)

// ErrUnsound says that a backup is not whole, or not what was written.
var ErrUnsound = errors.New("the backup is not sound")

func unsound(format string, args ...any) error {
	return fmt.Errorf("%w: "+format, append([]any{ErrUnsound}, args...)...)
}

// unpack copies a backup into a new folder and holds every byte to the
// manifest. A single ledger file, as older programs and other tools write it,
// is taken too and has no manifest.
func unpack(ctx context.Context, src, dir string) (*Manifest, error) {
	info, err := os.Stat(src)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	if info.IsDir() {
		return unpackFolder(ctx, src, dir)
	}
	f, err := os.Open(src)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	start := make([]byte, 16)
	if _, err := io.ReadFull(f, start); err == nil && string(start) == "SQLite format 3\x00" {
		if _, err := f.Seek(0, io.SeekStart); err != nil {
			return nil, err
		}
		if wal, err := os.Stat(src + "-wal"); err == nil && wal.Size() > 0 {
			return nil, fmt.Errorf("%s is in use or was not closed: make a backup of its folder instead", src)
		}
		_, err = writeFile(ledgerFile, filepath.Join(dir, ledgerFile), blob.WithContext(ctx, f))
		return nil, err
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	return unpackTar(ctx, f, dir)
}

func unpackFolder(ctx context.Context, src, dir string) (*Manifest, error) {
	text, err := readAtMost(filepath.Join(src, manifestFile))
	if errors.Is(err, fs.ErrNotExist) {
		if _, err := os.Stat(filepath.Join(src, ledgerFile)); err == nil {
			return nil, fmt.Errorf("%s has no %s: it is a data folder and not a backup; make one of it with `fairlead-server backup --data %s`", src, manifestFile, src)
		}
		return nil, fmt.Errorf("%s is not a backup: it has no %s", src, manifestFile)
	}
	if err != nil {
		return nil, err
	}
	m, err := parseManifest(text)
	if err != nil {
		return nil, unsound("%w", err)
	}
	for _, f := range m.Files {
		if err := unpackOne(ctx, src, dir, f); err != nil {
			return nil, err
		}
	}
	return &m, holdsLedger(m)
}

// unpackOne copies a file, or with no dir only reads it.
func unpackOne(ctx context.Context, src, dir string, want File) error {
	in, err := os.Open(filepath.Join(src, filepath.FromSlash(want.Path)))
	if errors.Is(err, fs.ErrNotExist) {
		return unsound("%s is missing", want.Path)
	}
	if err != nil {
		return err
	}
	defer in.Close()
	var got File
	if dir == "" {
		got, err = tally(want.Path, io.Discard, blob.WithContext(ctx, in))
	} else {
		got, err = lay(dir, want.Path, blob.WithContext(ctx, in))
	}
	if err != nil {
		return err
	}
	if got != want {
		return unsound("%s is damaged: it is not what the manifest says", want.Path)
	}
	return nil
}

// lay writes one file of a backup into a folder.
func lay(dir, path string, r io.Reader) (File, error) {
	to := filepath.Join(dir, filepath.FromSlash(path))
	if err := os.MkdirAll(filepath.Dir(to), 0o700); err != nil {
		return File{}, err
	}
	return writeFile(path, to, r)
}

func unpackTar(ctx context.Context, f io.Reader, dir string) (*Manifest, error) {
	have := map[string]File{}
	var text []byte
	last := "the beginning"
	r := tar.NewReader(blob.WithContext(ctx, f))
	for {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if err != nil {
			return nil, unsound("the tar file is damaged after %s, or is none", last)
		}
		switch {
		case h.Name == manifestFile && text == nil && h.Size <= maxManifest:
			if text, err = io.ReadAll(r); err != nil {
				return nil, unsound("the tar file ends inside %s", h.Name)
			}
		case h.Typeflag != tar.TypeReg || !mayHold.MatchString(h.Name):
			return nil, unsound("the tar file holds something that is not of a backup, after %s", last)
		default:
			if _, twice := have[h.Name]; twice {
				return nil, unsound("%s is in it twice", h.Name)
			}
			got, err := lay(dir, h.Name, r)
			if errors.Is(err, io.ErrUnexpectedEOF) {
				return nil, unsound("the tar file ends inside %s", h.Name)
			}
			if err != nil {
				return nil, err
			}
			have[h.Name] = got
		}
		last = h.Name
	}
	if text == nil {
		return nil, unsound("the tar file has no %s: it was cut short, or is not a backup", manifestFile)
	}
	m, err := parseManifest(text)
	if err != nil {
		return nil, unsound("%w", err)
	}
	for _, want := range m.Files {
		got, ok := have[want.Path]
		switch {
		case !ok:
			return nil, unsound("%s is missing", want.Path)
		case got != want:
			return nil, unsound("%s is damaged: it is not what the manifest says", want.Path)
		}
		delete(have, want.Path)
	}
	for path := range have {
		return nil, unsound("%s is in it and not in the manifest", path)
	}
	return &m, holdsLedger(m)
}

func holdsLedger(m Manifest) error {
	for _, f := range m.Files {
		if f.Path == ledgerFile {
			return nil
		}
	}
	return unsound("it names no %s", ledgerFile)
}

func readAtMost(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, maxManifest))
}

// OpenErasures reads a list of erasures from a file, or from the backup folder
// that holds one.
func OpenErasures(path string) ([]Erasure, error) {
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		path = filepath.Join(path, erasuresFile)
	}
	if strings.HasSuffix(path, ".tar") {
		return erasuresInTar(path)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("list of erasures: %w", err)
	}
	defer f.Close()
	return ReadErasures(f)
}

func erasuresInTar(path string) ([]Erasure, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("list of erasures: %w", err)
	}
	defer f.Close()
	for r := tar.NewReader(f); ; {
		h, err := r.Next()
		if err != nil {
			return nil, fmt.Errorf("list of erasures: %s holds none", path)
		}
		if h.Name == erasuresFile {
			text, err := io.ReadAll(r)
			if err != nil {
				return nil, fmt.Errorf("list of erasures: %w", err)
			}
			return ReadErasures(bytes.NewReader(text))
		}
	}
}
