package keep

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"time"

	"fairlead/services/blob"
	"fairlead/services/blob/files"
	"fairlead/services/checkpoint"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/server"
)

// RestorePlan says what to put back where.
type RestorePlan struct {
	// Source is the backup: a folder, a tar file, or a single ledger file.
	Source string
	// Data is the data folder to make. It must not exist, or be empty.
	Data string
	// Until, when not 0, is the last change to keep; UntilTime, when not
	// zero, keeps every change up to that time.
	Until     int64
	UntilTime time.Time
	// Erasures are repeated on what is restored.
	Erasures []Erasure
	// Key is the public key that the checkpoint must be signed with; nil
	// takes the one in the backup, which shows damage and not forgery.
	Key []byte
}

// Restored is what a restored folder holds.
type Restored struct {
	// Made is when the backup was made; zero for a single ledger file.
	Made time.Time
	// Source is the end of the log in the backup, Head that of what was
	// restored.
	Source, Head ledger.Head
	// Kinds counts the resources by kind, in the order of their names.
	Kinds []Count
	// Attachments is how many are there; Missing those whose bytes were
	// removed after the moment that was gone back to.
	Attachments, Missing int
	// Erased changes have lost their bodies; Repeated names were erased by
	// this restore.
	Erased   int64
	Repeated int
	// Checkpoint says what the checkpoint in the backup showed.
	Checkpoint string
	// Access and Sealing say that those files were in it.
	Access, Sealing bool
	// SchemaFrom and SchemaTo differ when an older backup was brought up to
	// date.
	SchemaFrom, SchemaTo int64
}

// Count is how many there are of a kind.
type Count struct {
	Kind string
	N    int64
}

// Restore checks a backup in full, puts it back, and says what it holds. The
// data folder appears only when everything in it is checked and on disk.
func Restore(ctx context.Context, p RestorePlan) (Restored, error) {
	out, err := restore(ctx, p)
	if err != nil {
		return out, fmt.Errorf("restore %s: %w", p.Source, err)
	}
	return out, nil
}

func restore(ctx context.Context, p RestorePlan) (out Restored, err error) {
	data, err := filepath.Abs(p.Data)
	if err != nil {
		return out, err
	}
	existed, err := emptyOrAbsent(data)
	if err != nil {
		return out, err
	}
	if err := os.MkdirAll(filepath.Dir(data), 0o700); err != nil {
		return out, err
	}
	stage, err := stageFor(data)
	if err != nil {
		return out, err
	}
	defer func() {
		os.RemoveAll(stage)
		if _, serr := os.Stat(data); err != nil && existed && serr != nil {
			err = errors.Join(err, os.Mkdir(data, 0o700))
		}
	}()
	m, err := unpack(ctx, p.Source, stage)
	if err != nil {
		return out, err
	}
	if m != nil {
		out.Made = m.Made
	}
	if out.SchemaFrom, out.SchemaTo, err = sqlite.Schema(ctx, stage); err != nil {
		return out, unsound("%s: %w", ledgerFile, err)
	}
	if err := settle(ctx, p, stage, m, &out); err != nil {
		return out, err
	}
	for _, name := range []string{accessFile, sealingFolder} {
		_, err := os.Stat(filepath.Join(stage, name))
		if name == accessFile {
			out.Access = err == nil
		} else {
			out.Sealing = err == nil
		}
	}
	// What describes the backup is no part of the data.
	for _, name := range []string{checkpointFile, publicFile, erasuresFile} {
		if err := os.Remove(filepath.Join(stage, name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return out, err
		}
	}
	return out, move(stage, data)
}

// settle checks the staged ledger and makes of it what was asked for.
func settle(ctx context.Context, p RestorePlan, stage string, m *Manifest, out *Restored) (err error) {
	l, err := open(ctx, stage)
	if err != nil {
		return err
	}
	defer func() {
		if l != nil {
			err = errors.Join(err, l.Close())
		}
	}()
	if out.Source, err = l.Head(ctx); err != nil {
		return err
	}
	if m != nil && (m.Head.Seq != out.Source.Seq || m.Head.Hash != out.Source.Hash) {
		return unsound("%s ends with change %d, and the manifest says %d", ledgerFile, out.Source.Seq, m.Head.Seq)
	}
	if out.Checkpoint, err = staged(ctx, stage, l, p.Key); err != nil {
		return err
	}
	// All that the backup names must be in it, whatever is cut then.
	if _, err := attachmentsOf(ctx, stage, l, func(n need, err error) error {
		return unsound("the file %s of %s: %w", n.SHA256, n.attachment, err)
	}); err != nil {
		return err
	}
	again := p.Erasures
	if p.Until > 0 || !p.UntilTime.IsZero() {
		// What was erased later stays erased, and the log goes on to say so.
		later, err := Erasures(ctx, l)
		if err != nil {
			return err
		}
		again = append(later, again...)
		seq, err := until(ctx, p, l, out.Source)
		if err != nil {
			return err
		}
		err = l.Close()
		l = nil
		if err != nil {
			return err
		}
		if _, err := sqlite.Cut(ctx, stage, seq); err != nil {
			return err
		}
		if l, err = open(ctx, stage); err != nil {
			return err
		}
	}
	if out.Repeated, err = Repeat(ctx, l, again); err != nil {
		return err
	}
	if err := prune(ctx, stage, l); err != nil {
		return err
	}
	return count(ctx, stage, l, out)
}

// prune removes bytes that nothing names any more, as after an erasure that was
// repeated: nobody should find them in the folder.
func prune(ctx context.Context, stage string, l Lister) error {
	folder := filepath.Join(stage, server.FilesFolder)
	if _, err := os.Stat(folder); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	store, err := files.Open(folder, nil)
	if err != nil {
		return err
	}
	list, _, err := needs(ctx, l)
	if err != nil {
		return err
	}
	named := map[string]bool{}
	for _, n := range list {
		named[n.SHA256] = true
	}
	return store.Walk(ctx, func(e blob.Entry) error {
		if named[e.SHA256] {
			return nil
		}
		return store.Remove(ctx, e.SHA256)
	})
}

// open opens a staged ledger, brings it up to date, and verifies it.
func open(ctx context.Context, stage string) (*sqlite.Store, error) {
	l, err := sqlite.Open(ctx, stage, sqlite.Options{})
	if err != nil {
		return nil, err
	}
	report, err := l.Verify(ctx)
	if err == nil && len(report.Problems) > 0 {
		err = unsound("the check found problems in %s, the first: %s", ledgerFile, problem(report.Problems[0]))
	}
	if err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

// staged holds the checkpoint of a backup to its ledger.
func staged(ctx context.Context, stage string, l *sqlite.Store, key []byte) (string, error) {
	text, err := os.ReadFile(filepath.Join(stage, checkpointFile))
	if errors.Is(err, fs.ErrNotExist) {
		if key != nil {
			return "", errors.New("the backup has no checkpoint to hold against the key: leave --key out")
		}
		return "none in it", nil
	}
	if err != nil {
		return "", err
	}
	whose := "the key that was given"
	if key == nil {
		whose = "the key in the backup"
		if key, err = os.ReadFile(filepath.Join(stage, publicFile)); err != nil {
			return "", unsound("%s: %w", publicFile, err)
		}
	}
	c, err := CheckCheckpoint(ctx, l, text, key)
	if err != nil {
		return "", unsound("%s: %w", checkpointFile, err)
	}
	return fmt.Sprintf("signed for change %d with %s, and fits", c.Seq, whose), nil
}

// CheckCheckpoint holds a checkpoint to a ledger: its signature, if a key is
// given, and that the ledger has the very changes that it names.
func CheckCheckpoint(ctx context.Context, l Reader, text, key []byte) (checkpoint.Checkpoint, error) {
	c, err := checkpoint.Parse(text)
	if err != nil {
		return c.Checkpoint, err
	}
	if key != nil {
		pub, err := checkpoint.ParsePublic(key)
		if err != nil {
			return c.Checkpoint, err
		}
		if err := c.Verify(pub); err != nil {
			return c.Checkpoint, err
		}
	}
	for _, one := range []struct {
		seq  int64
		hash [32]byte
	}{{1, c.Origin}, {c.Seq, c.Hash}} {
		seq, hash := one.seq, one.hash
		at, err := l.Changes(ctx, seq-1, 1)
		switch {
		case err != nil:
			return c.Checkpoint, err
		case len(at) == 0 || at[0].Seq != seq:
			return c.Checkpoint, fmt.Errorf("it was signed for change %d, and the log does not reach that far: its end was cut off, or this is an older copy", c.Seq)
		case at[0].Hash != hash && seq == 1:
			return c.Checkpoint, errors.New("it belongs to another log: the first change is another")
		case at[0].Hash != hash:
			return c.Checkpoint, fmt.Errorf("change %d is not the one that was signed: the log was rewritten at or before it", seq)
		}
	}
	return c.Checkpoint, nil
}

// until finds the last change to keep.
func until(ctx context.Context, p RestorePlan, l *sqlite.Store, head ledger.Head) (int64, error) {
	if p.UntilTime.IsZero() {
		if p.Until > head.Seq {
			return 0, fmt.Errorf("the backup ends with change %d: --until must not be later", head.Seq)
		}
		return p.Until, nil
	}
	if p.UntilTime.After(head.Time) {
		return 0, fmt.Errorf("the last change in the backup is of %s: --until must not be later", head.Time.Format(time.RFC3339))
	}
	// Times never go back along the log.
	var err error
	n := sort.Search(int(head.Seq), func(i int) bool {
		at, e := l.Changes(ctx, int64(i), 1)
		if e != nil || len(at) == 0 {
			err = errors.Join(err, e)
			return true
		}
		return at[0].Time.After(p.UntilTime)
	})
	return int64(n), err
}

// attachmentsOf reads the bytes of every attachment of a data folder to the end
// and gives bad those that are not whole; an error of bad ends it.
func attachmentsOf(ctx context.Context, data string, l Lister, bad func(need, error) error) (int, error) {
	list, n, err := needs(ctx, l)
	if err != nil || len(list) == 0 {
		return n, err
	}
	folder := filepath.Join(data, server.FilesFolder)
	if _, err := os.Stat(folder); errors.Is(err, fs.ErrNotExist) {
		for _, one := range list {
			if err := bad(one, blob.ErrNotFound); err != nil {
				return n, err
			}
		}
		return n, nil
	}
	store, err := files.Open(folder, nil)
	if err != nil {
		return n, err
	}
	return n, filesIn(ctx, store, list, bad)
}

// filesIn reads every file of a list to the end.
func filesIn(ctx context.Context, store blob.Store, list []need, bad func(need, error) error) error {
	for _, one := range list {
		err := blob.Check(ctx, store, one.Ref)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			if err := bad(one, err); err != nil {
				return err
			}
		}
	}
	return nil
}

// count says what is in a staged folder.
func count(ctx context.Context, stage string, l *sqlite.Store, out *Restored) error {
	report, err := l.Verify(ctx)
	if err != nil {
		return err
	}
	if len(report.Problems) > 0 {
		return unsound("the check found problems in what was restored, the first: %s", problem(report.Problems[0]))
	}
	out.Erased = report.Erased
	if out.Head, err = l.Head(ctx); err != nil {
		return err
	}
	kinds := map[string]int64{}
	if err := each(ctx, l, "", func(r ledger.Resource) error { kinds[r.Kind]++; return nil }); err != nil {
		return err
	}
	for k, n := range kinds {
		out.Kinds = append(out.Kinds, Count{k, n})
	}
	sort.Slice(out.Kinds, func(i, j int) bool { return out.Kinds[i].Kind < out.Kinds[j].Kind })
	missing := map[string]bool{}
	out.Attachments, err = attachmentsOf(ctx, stage, l, func(n need, _ error) error { missing[n.attachment] = true; return nil })
	out.Missing = len(missing)
	return err
}

func emptyOrAbsent(data string) (existed bool, err error) {
	list, err := os.ReadDir(data)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return false, nil
	case err != nil:
		return true, err
	case len(list) > 0:
		return true, fmt.Errorf("%s is not empty (%s is there already): move it away, or choose another folder with --data", data, list[0].Name())
	}
	return true, nil
}

// stageFor makes the folder in which a restore is prepared: beside the data
// folder, or inside it where that is not allowed, as in a container whose data
// folder is a volume of its own.
func stageFor(data string) (string, error) {
	outside := func() (string, error) {
		return os.MkdirTemp(filepath.Dir(data), "."+filepath.Base(data)+".part-*")
	}
	if _, err := os.Stat(data); errors.Is(err, fs.ErrNotExist) {
		return outside()
	}
	// It is empty: only trying shows whether it can be replaced.
	if os.Remove(data) == nil {
		return outside()
	}
	return os.MkdirTemp(data, ".restore-*")
}

// move makes a staged folder the data folder.
func move(stage, data string) error {
	if err := syncTree(stage); err != nil {
		return err
	}
	if filepath.Dir(stage) != data {
		if err := absent(data); err != nil {
			return err
		}
		if err := os.Rename(stage, data); err != nil {
			return err
		}
		return syncFolder(filepath.Dir(data))
	}
	list, err := os.ReadDir(stage)
	if err != nil {
		return err
	}
	// The ledger last: without it the folder is not yet a house.
	sort.SliceStable(list, func(i, j int) bool { return list[i].Name() != ledgerFile && list[j].Name() == ledgerFile })
	for _, e := range list {
		if err := os.Rename(filepath.Join(stage, e.Name()), filepath.Join(data, e.Name())); err != nil {
			return err
		}
	}
	return errors.Join(os.Remove(stage), syncFolder(data))
}

// syncTree forces the names in a folder and in all below it to disk.
func syncTree(dir string) error {
	return filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.IsDir() {
			return err
		}
		return syncFolder(path)
	})
}
