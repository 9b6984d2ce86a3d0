package keep

import (
	"archive/tar"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"fairlead/services/blob"
)

// sink is where a backup is written to.
type sink interface {
	// put writes a file of size bytes.
	put(path string, size int64, at time.Time, r io.Reader) (File, error)
	// take writes a file that may be moved.
	take(ctx context.Context, path, from string) (File, error)
	// publish makes all that was written durable and gives it its name.
	publish(dest string) error
	// close gives up what was not published.
	close()
}

// folderSink writes a folder.
type folderSink struct {
	dir     string
	folders map[string]bool
}

func newFolderSink(dir string) (*folderSink, error) {
	return &folderSink{dir: dir, folders: map[string]bool{dir: true}}, os.Mkdir(dir, 0o700)
}

func (s *folderSink) place(path string) (string, error) {
	to := filepath.Join(s.dir, filepath.FromSlash(path))
	for up := filepath.Dir(to); !s.folders[up]; up = filepath.Dir(up) {
		s.folders[up] = true
	}
	return to, os.MkdirAll(filepath.Dir(to), 0o700)
}

func (s *folderSink) put(path string, _ int64, _ time.Time, r io.Reader) (File, error) {
	to, err := s.place(path)
	if err != nil {
		return File{}, err
	}
	return writeFile(path, to, r)
}

// writeFile writes a new file to disk.
func writeFile(path, to string, r io.Reader) (File, error) {
	f, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return File{}, err
	}
	got, err := tally(path, f, r)
	return got, errors.Join(err, f.Sync(), f.Close())
}

func (s *folderSink) take(ctx context.Context, path, from string) (File, error) {
	to, err := s.place(path)
	if err != nil {
		return File{}, err
	}
	if err := os.Rename(from, to); err != nil {
		return File{}, err
	}
	f, err := os.OpenFile(to, os.O_RDWR, 0)
	if err != nil {
		return File{}, err
	}
	got, err := tally(path, io.Discard, blob.WithContext(ctx, f))
	return got, errors.Join(err, f.Sync(), f.Close())
}

func (s *folderSink) publish(dest string) error {
	for dir := range s.folders {
		if err := syncFolder(dir); err != nil {
			return err
		}
	}
	// A folder is renamed over an empty one without a word: look again.
	if err := absent(dest); err != nil {
		return err
	}
	if err := os.Rename(s.dir, dest); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(dest))
}

func (s *folderSink) close() {}

// tarSink writes one tar file.
type tarSink struct {
	f   *os.File
	tar *tar.Writer
}

func newTarSink(path string) (*tarSink, error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	return &tarSink{f, tar.NewWriter(f)}, err
}

func (s *tarSink) put(path string, size int64, at time.Time, r io.Reader) (File, error) {
	h := &tar.Header{Name: path, Mode: 0o600, Size: size, ModTime: at.Truncate(time.Second), Format: tar.FormatPAX}
	if err := s.tar.WriteHeader(h); err != nil {
		return File{}, err
	}
	return tally(path, s.tar, r)
}

func (s *tarSink) take(ctx context.Context, path, from string) (File, error) {
	f, err := os.Open(from)
	if err != nil {
		return File{}, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return File{}, err
	}
	return s.put(path, info.Size(), info.ModTime(), blob.WithContext(ctx, f))
}

func (s *tarSink) publish(dest string) error {
	if err := errors.Join(s.tar.Close(), s.f.Sync(), s.f.Close()); err != nil {
		return err
	}
	// Link and not rename where it can be done: it never replaces a file that
	// appeared meanwhile.
	if err := os.Link(s.f.Name(), dest); errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is there already: choose another name or move it away", dest)
	} else if err != nil {
		if err := os.Rename(s.f.Name(), dest); err != nil {
			return err
		}
	}
	return syncFolder(filepath.Dir(dest))
}

func (s *tarSink) close() { _ = s.f.Close() } // closed already when published

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
