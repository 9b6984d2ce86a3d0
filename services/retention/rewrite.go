package retention

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// rewriting is a report, and what belongs to it, on the way to saying less. It
// is worked out from the history before the write and holds only as long as
// nothing changes in between.
type rewriting struct {
	report string
	parts  []rewritten
	// kept is what then remains of all erased versions, keptAt the revision of
	// what remained before.
	kept   map[int64][]byte
	keptAt int64
	tellers
}

// rewritten is one resource of it.
type rewritten struct {
	name, kind string
	// revision is the newest; versions counts those that lost something.
	revision, versions int64
	// next is the state as it stands from then on.
	next proto.Message
}

// tellers says that who told goes too.
type tellers struct{ teller bool }

// plan works out what a report and what belongs to it say once something has
// been taken out of every version. then changes the newest version of the
// report further, and says what was done.
func (s *Service) plan(ctx context.Context, report string, take strip, then func(r *pb.Report)) (*rewriting, error) {
	left, at, err := s.known.versions(ctx, report)
	if err != nil {
		return nil, err
	}
	w := &rewriting{report: report, kept: left, keptAt: at}
	if w.kept == nil {
		w.kept = map[int64][]byte{}
	}
	if err := s.planPart(ctx, w, report, record.KindReport, take, then); err != nil {
		return nil, err
	}
	for _, kind := range []string{record.KindCoding, record.KindAttachment, record.KindMessage, record.KindMasked} {
		err := list(ctx, s.Ledger, kind, report+"/", func(res ledger.Resource) error {
			return s.planPart(ctx, w, res.Name, kind, take, nil)
		})
		if err != nil {
			return nil, err
		}
	}
	return w, nil
}

// planPart adds one resource, if anything is taken out of it.
func (s *Service) planPart(ctx context.Context, w *rewriting, name, kind string, take strip, then func(*pb.Report)) error {
	changes, err := s.Ledger.History(ctx, name)
	if err != nil {
		return outside(err, name)
	}
	p := rewritten{name: name, kind: kind, revision: changes[len(changes)-1].Revision}
	cleaned := map[int64][]byte{}
	for _, c := range changes {
		body := c.Body
		if c.Erased {
			body = w.kept[c.Seq]
		}
		if len(body) == 0 {
			continue // gone before, and nothing remained of it
		}
		m, err := message(kind)
		if err != nil {
			return err
		}
		if err := record.Read(body, c.Revision, m); err != nil {
			return err
		}
		was := proto.Clone(m)
		take(m)
		if cleaned[c.Seq], err = record.Body(m); err != nil {
			return err
		}
		if !proto.Equal(was, m) {
			p.versions++
		}
		p.next = m
	}
	if p.next == nil {
		return nil
	}
	if p.versions > 0 {
		for seq, body := range cleaned {
			w.kept[seq] = body
		}
	}
	if r, ok := p.next.(*pb.Report); ok && then != nil {
		then(r)
	} else if p.versions == 0 {
		return nil
	}
	w.parts = append(w.parts, p)
	return nil
}

// errMoved says that something changed since it was looked at.
var errMoved = fmt.Errorf("retention: it changed meanwhile: %w", ledger.ErrStale)

// write does what was planned within one write of the ledger.
func (w *rewriting) write(ctx context.Context, tx ledger.Tx) error {
	erased := false
	for _, p := range w.parts {
		now, err := tx.Get(ctx, p.name)
		if err != nil {
			return err
		}
		if now.Revision != p.revision {
			return errMoved
		}
		if p.versions > 0 {
			erased = true
			if err := tx.Erase(ctx, p.name); err != nil {
				return err
			}
		}
		if err := put(ctx, tx, p.next, p.name, p.kind, record.VerbErase, p.revision); err != nil {
			return err
		}
	}
	if w.teller {
		if err := eraseTeller(ctx, tx, w.report); err != nil {
			return err
		}
	}
	if !erased {
		return nil
	}
	return w.writeKept(ctx, tx)
}

// writeKept writes what remains. What remained before says more, and goes.
func (w *rewriting) writeKept(ctx context.Context, tx ledger.Tx) error {
	name := keptName(w.report)
	now, err := tx.Get(ctx, name)
	switch {
	case errors.Is(err, ledger.ErrNotFound):
		now.Revision = 0
	case err != nil:
		return err
	default:
		if err := tx.Erase(ctx, name); err != nil {
			return err
		}
	}
	if now.Revision != w.keptAt {
		return errMoved
	}
	m := &pb.KeptVersions{}
	for seq, body := range w.kept {
		m.Versions = append(m.Versions, &pb.KeptVersion{SequenceNumber: seq, Body: body})
	}
	slices.SortFunc(m.Versions, func(a, b *pb.KeptVersion) int { return int(a.GetSequenceNumber() - b.GetSequenceNumber()) })
	return put(ctx, tx, m, name, record.KindKept, record.VerbErase, now.Revision)
}

// erased lists what is taken out of which resource.
func (w *rewriting) erased(what string) []*pb.ErasedResource {
	var out []*pb.ErasedResource
	for _, p := range w.parts {
		if p.versions > 0 {
			out = append(out, &pb.ErasedResource{Name: p.name, What: what, Versions: p.versions})
		}
	}
	return out
}

func put(ctx context.Context, tx ledger.Tx, m proto.Message, name, kind, verb string, ifRevision int64) error {
	p, err := record.Put(m, name, kind, verb, ifRevision)
	if err != nil {
		return err
	}
	_, err = tx.Put(ctx, p)
	return err
}

// note returns what is done to the newest version of a report when something is
// taken out of it.
func (s *Service) note(part pb.RemovedPart, class, reason string) func(r *pb.Report) {
	now := timestamppb.New(s.Clock())
	return func(r *pb.Report) {
		r.UpdateTime, r.ChangeReason = now, reason
		if part != 0 {
			r.Removals = append(r.Removals, &pb.Removal{Part: part, RemoveTime: now, RetentionClass: class})
		}
	}
}

// moved turns a plan that no longer holds into a status.
func (s *Service) moved(ctx context.Context, err error, name string) error {
	if !errors.Is(err, errMoved) {
		return outside(err, name)
	}
	if res, err := s.Ledger.Get(ctx, name); err == nil {
		return fault.Stale(name, record.Etag(res.Revision))
	}
	head, err := s.Ledger.Head(ctx)
	if err != nil {
		return outside(err, name)
	}
	return fault.Stale(name, record.Etag(head.Seq))
}

func tellerName(report string) string { return report + "/teller" }

func reportOfTeller(teller string) string { return strings.TrimSuffix(teller, "/teller") }
