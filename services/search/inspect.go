package search

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// ErrRestless says that a server wrote to the index the whole time, so that no
// copy of one moment could be made.
var ErrRestless = errors.New("search: the index changes too fast to be copied; try again in a quieter hour")

// copyTries is how often Copy begins again, copyRest how long it rests before.
const (
	copyTries = 20
	copyRest  = 100 * time.Millisecond
)

// Copy copies the index in a folder to a folder that does not exist yet, also
// while a server has it open. Segments never change once they are written, and
// the list of them is one file: the copy is of one moment when that file was
// the same before and after the segments were taken. There is no index to copy
// where fs.ErrNotExist is returned.
func Copy(ctx context.Context, from, to string) error {
	store := filepath.Join(from, folder, "store")
	list := filepath.Join(store, "root.bolt")
	for range copyTries {
		before, err := os.ReadFile(list)
		if err != nil {
			return fmt.Errorf("search: copy index: %w", err)
		}
		target := filepath.Join(to, folder, "store")
		if err := errors.Join(os.RemoveAll(to), os.MkdirAll(target, 0o700)); err != nil {
			return fmt.Errorf("search: copy index: %w", err)
		}
		err = copySegments(ctx, store, target)
		if err == nil {
			err = copyFile(filepath.Join(from, folder, "index_meta.json"), filepath.Join(to, folder, "index_meta.json"))
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("search: copy index: %w", err)
		}
		after, rerr := os.ReadFile(list)
		if rerr != nil {
			return fmt.Errorf("search: copy index: %w", rerr)
		}
		if err == nil && bytes.Equal(before, after) {
			if _, err := os.Stat(filepath.Join(from, damagedFile)); err == nil {
				return copyFile(filepath.Join(from, damagedFile), filepath.Join(to, damagedFile))
			}
			return os.WriteFile(filepath.Join(target, "root.bolt"), before, 0o600)
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		time.Sleep(copyRest)
	}
	return ErrRestless
}

func copySegments(ctx context.Context, from, to string) error {
	entries, err := os.ReadDir(from)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if !strings.HasSuffix(e.Name(), ".zap") {
			continue
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := copyFile(filepath.Join(from, e.Name()), filepath.Join(to, e.Name())); err != nil {
			return err
		}
	}
	return nil
}

func copyFile(from, to string) (err error) {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

// Inspection is what Inspect found.
type Inspection struct {
	// Stale says, in plain words, why the index was not compared: the next
	// start makes it anew, and nothing is wrong. Empty when it was compared.
	Stale string
	// Problems lists what does not fit, at most MaxProblems.
	Problems []string
}

// Inspect compares a copy of an index, made by Copy, with a ledger that does not
// change meanwhile, after bringing the copy up to the ledger's head. Unlike
// Open it takes nothing for granted and makes nothing anew: an index that the
// next start would throw away because it is damaged is a problem here.
func Inspect(ctx context.Context, dir string, l Ledger, t Tree, covers Covers) (in Inspection, err error) {
	if _, err := os.Stat(filepath.Join(dir, damagedFile)); err == nil {
		return Inspection{Problems: []string{"the index broke in use: rebuild it"}}, nil
	}
	idx, err := reopen(filepath.Join(dir, folder))
	switch {
	case errors.Is(err, errOtherVersion):
		return Inspection{Stale: "it was made by another version of the program"}, nil
	case err != nil:
		return Inspection{Problems: []string{"the index does not open: rebuild it"}}, nil
	}
	p := &Projection{dir: dir, log: slog.New(slog.DiscardHandler), led: l, tree: t, lang: newLanguage(), idx: idx, covers: covers}
	if covers == nil {
		p.covers = uncovered{}
	}
	defer func() { err = errors.Join(err, p.close()) }()
	if p.adv, err = idx.Advanced(); err != nil {
		return Inspection{}, fmt.Errorf("search: inspect: %w", err)
	}
	at, err := idx.GetInternal(keyMark)
	if err != nil {
		return Inspection{}, fmt.Errorf("search: inspect: %w", err)
	}
	p.stored = decodeMark(at)
	ours, err := p.belongs(ctx)
	switch {
	case err != nil:
		return Inspection{}, err
	case !ours:
		return Inspection{Stale: "it belongs to another log, as after a restore"}, nil
	}
	if err := p.CatchUp(ctx); err != nil {
		return Inspection{}, err
	}
	in.Problems, err = p.Check(ctx)
	if errors.Is(err, errDamaged) {
		return Inspection{Problems: []string{"the index is damaged: rebuild it"}}, nil
	}
	return in, err
}
