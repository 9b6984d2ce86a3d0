package keep

import (
	"context"
	"errors"
	"os"
	"path/filepath"

	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
)

// CheckBackup checks a backup: every byte against the manifest, the checkpoint
// in it, and then the ledger as Check does. A tar file is unpacked, and a ledger
// of an older program copied and brought up to date, in a folder of its own that
// is removed again; the backup itself is only read.
func CheckBackup(ctx context.Context, path string, p CheckPlan) (_ *Checked, err error) {
	scratch, err := os.MkdirTemp("", "fairlead-check-*")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(scratch)
	p.Backup = true
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	var m *Manifest
	if info.IsDir() {
		// Read where it lies: nothing need be copied.
		p.Data = path
		m, err = unpackFolder(ctx, path, "")
	} else {
		p.Data = filepath.Join(scratch, "backup")
		m, err = unpack(ctx, path, p.Data)
	}
	if errors.Is(err, ErrUnsound) {
		return &Checked{Findings: []Finding{{Part: PartBackup, What: err.Error()}}, Unchecked: []Finding{}, Notes: []Finding{}}, nil
	}
	if err != nil {
		return nil, err
	}
	file := filepath.Join(p.Data, ledgerFile)
	l, err := sqlite.OpenReadOnly(ctx, file, sqlite.Options{})
	if errors.Is(err, ledger.ErrOlder) {
		l, err = upgraded(ctx, file, filepath.Join(scratch, "older"))
	}
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	if m == nil {
		p.Data = ""
	} else if p.Checkpoint == nil {
		p.Checkpoint, p.Key = own(p.Data, p.Key)
	}
	out, err := Check(ctx, l, p)
	if err != nil {
		return nil, err
	}
	if head, err := l.Head(ctx); err == nil && m != nil && (m.Head.Seq != head.Seq || m.Head.Hash != head.Hash) {
		out.found(Finding{PartBackup, head.Seq, "", "the ledger ends otherwise than the manifest says"})
	}
	return out, nil
}

// own returns the checkpoint in a backup, if there is one, and the key in it
// unless another is given.
func own(dir string, key []byte) (text, pub []byte) {
	text, err := os.ReadFile(filepath.Join(dir, checkpointFile))
	if err != nil {
		return nil, key
	}
	if key == nil {
		// The manifest has shown that it is there if there is a checkpoint.
		key, _ = os.ReadFile(filepath.Join(dir, publicFile))
	}
	return text, key
}

// upgraded copies a ledger file to a folder and brings it up to date there.
func upgraded(ctx context.Context, file, dir string) (*sqlite.Store, error) {
	in, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	if _, err := lay(dir, ledgerFile, in); err != nil {
		return nil, err
	}
	return sqlite.Open(ctx, dir, sqlite.Options{})
}
