package attachments

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/blob"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Times of the sweep.
const (
	// leftAlone is how long bytes that nothing names are left alone.
	leftAlone = 24 * time.Hour
	every     = 24 * time.Hour
	soon      = time.Hour
)

// Swept is what a sweep took out.
type Swept struct {
	// Removed are bytes that nothing named, by their count and size.
	Removed int
	Bytes   int64
	// Unfinished are files of uploads that came to nothing.
	Unfinished int
}

// Sweep removes what is a day old and needed by no attachment: bytes of
// attachments that were removed, of uploads that a crash cut off before they
// were entered, and unfinished files. It can run at any time, also while files
// are added.
func (s *Service) Sweep(ctx context.Context) (Swept, error) {
	var out Swept
	before := s.Clock().Add(-leftAlone)
	s.naming.Lock()
	defer s.naming.Unlock()
	needed := map[string]bool{}
	err := each(ctx, s.Ledger, func(_ *pb.Attachment, refs []blob.Ref) error {
		for _, r := range refs {
			needed[r.SHA256] = true
		}
		return nil
	})
	if err != nil {
		return out, err
	}
	err = s.Store.Walk(ctx, func(e blob.Entry) error {
		if needed[e.SHA256] || !e.Time.Before(before) {
			return nil
		}
		if err := s.Store.Remove(ctx, e.SHA256); err != nil {
			return err
		}
		out.Removed++
		out.Bytes += e.Size
		return nil
	})
	if err != nil {
		return out, fmt.Errorf("attachments: sweep: %w", err)
	}
	if out.Unfinished, err = s.Store.Tidy(ctx, before); err != nil {
		return out, fmt.Errorf("attachments: sweep: %w", err)
	}
	n, err := s.tidySpool()
	out.Unfinished += n
	return out, err
}

// tidySpool removes uploads that still have a name, as they do on Windows. They
// are dated by the machine's own clock.
func (s *Service) tidySpool() (removed int, err error) {
	list, err := os.ReadDir(s.Spool)
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("attachments: sweep: %w", err)
	}
	for _, f := range list {
		at, err := f.Info()
		if err != nil || !strings.HasPrefix(f.Name(), spoolName) || time.Since(at.ModTime()) < leftAlone {
			continue
		}
		if err := os.Remove(filepath.Join(s.Spool, f.Name())); err == nil {
			removed++
		}
	}
	return removed, nil
}

// SweepDaily sweeps at once and then every day, until ctx ends. What goes wrong
// is logged and tried again an hour later.
func (s *Service) SweepDaily(ctx context.Context, log *slog.Logger) {
	for {
		wait := every
		switch swept, err := s.Sweep(ctx); {
		case ctx.Err() != nil:
			return
		case err != nil:
			wait = soon
			log.ErrorContext(ctx, "sweep of attachments", "error", err)
		case swept != Swept{}:
			log.InfoContext(ctx, "sweep of attachments", "removed", swept.Removed, "bytes", swept.Bytes, "unfinished", swept.Unfinished)
		}
		t := time.NewTimer(wait)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return
		}
	}
}

// Lister is the part of a ledger that a check needs.
type Lister interface {
	List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error)
}

// each calls fn for every attachment that is there, with the bytes it needs.
func each(ctx context.Context, l Lister, fn func(a *pb.Attachment, needs []blob.Ref) error) error {
	const page = 1000
	for after := ""; ; {
		list, err := l.List(ctx, record.KindAttachment, "reports/", after, page)
		if err != nil {
			return fmt.Errorf("attachments: list: %w", err)
		}
		for _, res := range list {
			after = res.Name
			a, err := read(res)
			if err != nil {
				return err
			}
			if a.GetRemoveTime() != nil {
				continue
			}
			needs := []blob.Ref{{SHA256: a.GetSha256(), Size: a.GetSizeBytes()}}
			for _, d := range []*pb.Rendition{a.GetDisplay(), a.GetSmall()} {
				if d != nil {
					needs = append(needs, blob.Ref{SHA256: d.GetSha256(), Size: d.GetSizeBytes()})
				}
			}
			if err := fn(a, needs); err != nil {
				return err
			}
		}
		if len(list) < page {
			return nil
		}
	}
}

// Checked is what a check has read.
type Checked struct {
	// Attachments are there; Bytes is how many of theirs were read.
	Attachments int
	Bytes       int64
}

// Check reads the bytes of every attachment and compares them with what the
// ledger says of them. The error names the first that is not whole.
func Check(ctx context.Context, l Lister, store blob.Store) (Checked, error) {
	var out Checked
	err := each(ctx, l, func(a *pb.Attachment, needs []blob.Ref) error {
		for _, ref := range needs {
			if err := blob.Check(ctx, store, ref); err != nil {
				return fmt.Errorf("attachments: %s: bytes %s: %w", a.GetName(), ref.SHA256, err)
			}
			out.Bytes += ref.Size
		}
		out.Attachments++
		return nil
	})
	return out, err
}
