package keep

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"fairlead/services/blob"
	"fairlead/services/blob/files"
	"fairlead/services/changes"
	"fairlead/services/checkpoint"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/server"
)

// Source is a ledger that can be copied while it is in use.
type Source interface {
	Lister
	// Backup writes a whole copy to a new SQLite file and returns its head.
	Backup(ctx context.Context, dest string) (ledger.Head, error)
}

// BackupPlan says what to copy where.
type BackupPlan struct {
	// Data is the data folder, Dest the backup: one file when its name ends
	// in .tar, a folder otherwise.
	Data, Dest string
	// Files keeps the attachments; nil is the folder in Data.
	Files blob.Store
	// Clock dates the backup; nil is the real one.
	Clock func() time.Time
	// Free returns how many bytes the disk of a folder has left; nil asks
	// the system.
	Free func(dir string) (int64, error)
}

// Made is what a backup came to.
type Made struct {
	Manifest
	// Attachments, and names that were erased, in it.
	Attachments, Erased int
	// Signed says that it holds a signed checkpoint.
	Signed bool
}

// errGone says that bytes of an attachment were there no longer when they were
// to be copied.
var errGone = errors.New("is missing")

// spare is the room that must be left over.
const spare = 16 << 20

// Backup writes a backup while the service goes on. It appears under its name
// only when it is whole, checked, and on disk. Nothing is ever overwritten.
func Backup(ctx context.Context, l Source, p BackupPlan) (Made, error) {
	if p.Clock == nil {
		p.Clock = time.Now
	}
	if p.Free == nil {
		p.Free = freeSpace
	}
	made, err := backup(ctx, l, p)
	if errors.Is(err, errGone) {
		// An attachment may have been removed between the copy of the ledger
		// and that of its bytes: a new copy of the ledger then knows.
		made, err = backup(ctx, l, p)
	}
	if err != nil {
		return Made{}, fmt.Errorf("back up to %s: %w", p.Dest, err)
	}
	return made, nil
}

func backup(ctx context.Context, l Source, p BackupPlan) (made Made, err error) {
	dest, err := filepath.Abs(p.Dest)
	if err != nil {
		return made, err
	}
	if err := absent(dest); err != nil {
		return made, err
	}
	single := strings.HasSuffix(dest, ".tar")
	if strings.HasSuffix(dest, ".db") {
		return made, errors.New("a backup is a folder, or one file whose name ends in .tar: choose such a name")
	}
	if err := enoughSpace(ctx, l, p, filepath.Dir(dest), single); err != nil {
		return made, err
	}
	part, err := os.MkdirTemp(filepath.Dir(dest), "."+filepath.Base(dest)+".part-*")
	if err != nil {
		return made, err
	}
	defer os.RemoveAll(part)
	var to sink
	if single {
		to, err = newTarSink(filepath.Join(part, "backup.tar"))
	} else {
		to, err = newFolderSink(filepath.Join(part, "backup"))
	}
	if err != nil {
		return made, err
	}
	defer to.close()
	w := &writer{ctx: ctx, plan: p, to: to}
	// A copy of its own, which a folder takes over as it is.
	copied := filepath.Join(part, ledgerFile)
	if _, err := l.Backup(ctx, copied); err != nil {
		return made, err
	}
	if made, err = w.all(copied); err != nil {
		return Made{}, err
	}
	made.Made = p.Clock().UTC().Truncate(time.Second)
	if err := w.bytes(manifestFile, made.Text()); err != nil {
		return Made{}, err
	}
	return made, to.publish(dest)
}

// enoughSpace refuses before anything is written what would not fit.
func enoughSpace(ctx context.Context, l Source, p BackupPlan, dir string, single bool) error {
	list, _, err := needs(ctx, l)
	if err != nil {
		return err
	}
	var need int64 = spare
	for _, n := range list {
		need += n.Size
	}
	for _, name := range []string{ledgerFile, ledgerFile + "-wal"} {
		if info, err := os.Stat(filepath.Join(p.Data, name)); err == nil {
			need += info.Size()
			if single {
				need += info.Size() // beside the tar file, and in it
			}
		}
	}
	free, err := p.Free(dir)
	if err != nil {
		return fmt.Errorf("ask how much room there is in %s: %w", dir, err)
	}
	if free < need {
		return fmt.Errorf("%w: %s has %s left, and the backup needs up to %s: make room, or choose another place", ledger.ErrFull, dir, size(free), size(need))
	}
	return nil
}

// size writes a number of bytes for people.
func size(n int64) string {
	switch {
	case n >= 10<<30:
		return fmt.Sprintf("%d GB", n>>30)
	case n >= 10<<20:
		return fmt.Sprintf("%d MB", n>>20)
	}
	return fmt.Sprintf("%d KB", (n+1023)>>10)
}

// writer writes the parts of one backup.
type writer struct {
	ctx   context.Context
	plan  BackupPlan
	to    sink
	files []File
}

// all writes everything but the manifest, from a copy of the ledger.
func (w *writer) all(copied string) (made Made, err error) {
	l, err := sqlite.OpenReadOnly(w.ctx, copied, sqlite.Options{Readers: 2})
	if err != nil {
		return made, err
	}
	defer l.Close()
	// A backup that nobody could restore is none.
	report, err := l.Verify(w.ctx)
	if err != nil {
		return made, err
	}
	if len(report.Problems) > 0 {
		return made, fmt.Errorf("the ledger has problems, the first: %s; keep the last good backup and run `fairlead-server check`", problem(report.Problems[0]))
	}
	if made.Head, err = l.Head(w.ctx); err != nil {
		return made, err
	}
	list, attachments, err := needs(w.ctx, l)
	if err != nil {
		return made, err
	}
	made.Attachments = attachments
	if made.Signed, err = w.sign(l); err != nil {
		return made, err
	}
	erased, err := Erasures(w.ctx, l)
	if err != nil {
		return made, err
	}
	made.Erased = len(erased)
	var text bytes.Buffer
	if err := WriteErasures(&text, erased); err != nil {
		return made, err
	}
	if err := w.bytes(erasuresFile, text.Bytes()); err != nil {
		return made, err
	}
	// Closed first: a folder takes the file over.
	if err := l.Close(); err != nil {
		return made, err
	}
	if err := w.take(ledgerFile, copied); err != nil {
		return made, err
	}
	if err := w.plain(); err != nil {
		return made, err
	}
	if err := w.attachments(list); err != nil {
		return made, err
	}
	made.Files = w.files
	return made, nil
}

// sign writes the signed end of the log, if there is a key and something to
// sign.
func (w *writer) sign(l changes.Log) (bool, error) {
	key, err := checkpoint.Read(w.plan.Data)
	if errors.Is(err, checkpoint.ErrNoKey) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	signed, err := changes.SignHead(w.ctx, l, key, w.plan.Clock())
	if errors.Is(err, checkpoint.ErrEmpty) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	pub, err := key.PublicPEM()
	if err != nil {
		return false, err
	}
	return true, errors.Join(w.bytes(checkpointFile, signed.Text()), w.bytes(publicFile, pub))
}

// plain writes the small files that lie beside the ledger, those that there
// are.
func (w *writer) plain() error {
	names := []string{accessFile, demoFile}
	keys, err := os.ReadDir(filepath.Join(w.plan.Data, sealingFolder))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	for _, k := range keys {
		if name := sealingFolder + "/" + k.Name(); k.Type().IsRegular() && mayHold.MatchString(name) {
			names = append(names, name)
		}
	}
	for _, name := range names {
		text, err := os.ReadFile(filepath.Join(w.plan.Data, filepath.FromSlash(name)))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err == nil {
			err = w.bytes(name, text)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// attachments writes the bytes that the ledger names. They are copied and not
// linked, so that a fault of the disk does not take both.
func (w *writer) attachments(list []need) error {
	if len(list) == 0 {
		return nil
	}
	store := w.plan.Files
	if store == nil {
		var err error
		if store, err = files.Open(filepath.Join(w.plan.Data, server.FilesFolder), w.plan.Clock); err != nil {
			return err
		}
	}
	for _, n := range list {
		if err := w.attachment(store, n); err != nil {
			return err
		}
	}
	return nil
}

func (w *writer) attachment(store blob.Store, n need) error {
	named := fmt.Sprintf("the file %s of %s", n.SHA256, n.attachment)
	r, have, err := store.Open(w.ctx, n.SHA256)
	if errors.Is(err, blob.ErrNotFound) {
		return fmt.Errorf("%s %w: run `fairlead-server check`", named, errGone)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", named, err)
	}
	defer r.Close()
	if have == n.Size {
		err = w.file("files/"+n.SHA256[:2]+"/"+n.SHA256[2:], n.Size, blob.WithContext(w.ctx, r))
	}
	if err != nil {
		return fmt.Errorf("%s: %w", named, err)
	}
	if have != n.Size || fmt.Sprintf("%x", w.files[len(w.files)-1].SHA256) != n.SHA256 {
		return fmt.Errorf("%s is damaged: put it back from an earlier backup", named)
	}
	return nil
}

// take writes a file that is ours.
func (w *writer) take(path, from string) error {
	f, err := w.to.take(w.ctx, path, from)
	w.files = append(w.files, f)
	return err
}

func (w *writer) bytes(path string, text []byte) error {
	return w.file(path, int64(len(text)), bytes.NewReader(text))
}

func (w *writer) file(path string, size int64, r io.Reader) error {
	f, err := w.to.put(path, size, w.plan.Clock(), r)
	if err == nil && f.Size != size {
		err = fmt.Errorf("%s has %d bytes, not %d", path, f.Size, size)
	}
	w.files = append(w.files, f)
	return err
}

func absent(path string) error {
	_, err := os.Lstat(path)
	switch {
	case err == nil:
		return fmt.Errorf("%s is there already: choose another name or move it away", path)
	case errors.Is(err, fs.ErrNotExist):
		return nil
	}
	return err
}

// problem writes what a verification found on one line.
func problem(p ledger.Problem) string {
	var at []string
	if p.Seq > 0 {
		at = append(at, fmt.Sprintf("change %d", p.Seq))
	}
	if p.Name != "" {
		at = append(at, p.Name)
	}
	return strings.Join(slices.Concat(at, []string{p.What}), ": ")
}
