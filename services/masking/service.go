package masking

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/mask"
	"fairlead/services/record"
)

// Deps is what the room stands on. All are required.
type Deps struct {
	Ledger ledger.Ledger
	Tree   access.Tree
	Clock  func() time.Time
}

// Service implements MaskService.
type Service struct {
	pb.UnimplementedMaskServiceServer
	Deps

	mu    sync.Mutex
	known mask.Known
	asOf  time.Time
}

// New returns the service.
func New(d Deps) *Service { return &Service{Deps: d} }

// fresh is for how long the names of the house are taken as read.
const fresh = time.Minute

// names returns the people and places of the house.
func (s *Service) names(ctx context.Context) (mask.Known, error) {
	now := s.Clock()
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.asOf.IsZero() && now.Sub(s.asOf) < fresh && !now.Before(s.asOf) {
		return s.known, nil
	}
	var k mask.Known
	err := each(ctx, s.Ledger, record.KindPerson, "people/", func(res ledger.Resource) error {
		p := &pb.Person{}
		if err := record.Read(res.Body, res.Revision, p); err != nil {
			return err
		}
		if !record.ErasedPerson(p) {
			k.People = append(k.People, p.GetDisplayName())
		}
		return nil
	})
	if err == nil {
		err = each(ctx, s.Ledger, record.KindWorkplace, "workplaces/", func(res ledger.Resource) error {
			w := &pb.Workplace{}
			k.Places = append(k.Places, "")
			err := record.Read(res.Body, res.Revision, w)
			k.Places[len(k.Places)-1] = w.GetTitle()
			return err
		})
	}
	if err != nil {
		return mask.Known{}, err
	}
	s.known, s.asOf = k, now
	return k, nil
}

// Cover returns a copy of a report as those beyond its circle may read it.
func (s *Service) Cover(ctx context.Context, r *pb.Report) (*pb.Report, error) {
	k, err := s.names(ctx)
	if err != nil {
		return nil, err
	}
	out := proto.Clone(r).(*pb.Report)
	cover := func(texts ...*string) {
		for _, t := range texts {
			*t = mask.Cover(*t, mask.Find(*t, k))
		}
	}
	cover(&out.Spot, &out.TaskBefore, &out.DoneRightAway, &out.WhoCouldBeHurt, &out.Damage, &out.VoidReason, &out.ChangeReason)
	for _, h := range out.GetHarms() {
		cover(&h.Description)
		for _, c := range h.GetOutcomeHistory() {
			cover(&c.Reason)
		}
	}
	if out.Release != nil {
		cover(&out.Release.Substance, &out.Release.StepsTaken)
	}
	decided, ok, err := s.decided(ctx, r)
	if ok || err != nil {
		out.Narrative = decided
		return out, err
	}
	cover(&out.Narrative)
	return out, nil
}

// decided returns the text that somebody decided on for the story as it stands.
func (s *Service) decided(ctx context.Context, r *pb.Report) (string, bool, error) {
	res, err := s.Ledger.Get(ctx, nameOf(r.GetName()))
	if errors.Is(err, ledger.ErrNotFound) {
		return "", false, nil
	}
	if err != nil {
		return "", false, err
	}
	m := &pb.MaskedText{}
	if err := record.Read(res.Body, res.Revision, m); err != nil {
		return "", false, err
	}
	return m.GetNarrative(), m.GetNarrative() != "" && m.GetNarrativeSha256() == sum(r), nil
}

func nameOf(report string) string { return report + "/masked" }

func sum(r *pb.Report) string {
	h := sha256.Sum256([]byte(r.GetName() + "\n" + r.GetNarrative()))
	return hex.EncodeToString(h[:])
}

// SuggestMasks implements MaskService.
func (s *Service) SuggestMasks(ctx context.Context, req *pb.SuggestMasksRequest) (*pb.SuggestMasksResponse, error) {
	r, _, err := s.report(ctx, s.Ledger, req.GetReport())
	if err != nil {
		return nil, err
	}
	k, err := s.names(ctx)
	if err != nil {
		return nil, err
	}
	spans := mask.Find(r.GetNarrative(), k)
	out := &pb.SuggestMasksResponse{Suggested: mask.Cover(r.GetNarrative(), spans)}
	out.Current = out.Suggested
	for _, sp := range spans {
		at := utf8.RuneCountInString(r.GetNarrative()[:sp.Start])
		text := r.GetNarrative()[sp.Start:sp.End]
		out.Passages = append(out.Passages, &pb.MaskPassage{Start: int32(at), End: int32(at + utf8.RuneCountInString(text)), Kind: string(sp.Kind), Sure: sp.Sure, Text: text})
	}
	decided, ok, err := s.decided(ctx, r)
	if ok {
		out.Current, out.Decided = decided, true
	}
	return out, err
}

// SetMaskedText implements MaskService.
func (s *Service) SetMaskedText(ctx context.Context, req *pb.SetMaskedTextRequest) (*pb.MaskedText, error) {
	if strings.TrimSpace(req.GetNarrative()) == "" {
		return nil, fault.Invalid(fault.Violation{Field: "narrative", Description: "is needed: the story as others may read it"})
	}
	revision, ok := record.Revision(req.GetEtag())
	if !ok {
		return nil, fault.Invalid(fault.Violation{Field: "etag", Description: "is needed: read the report and send the etag that came with it"})
	}
	request, err := record.Request(access.From(ctx).Name, req.GetRequestId(), req)
	if err != nil {
		return nil, err
	}
	m := &pb.MaskedText{Name: nameOf(req.GetReport()), Narrative: req.GetNarrative()}
	receipt, err := s.Ledger.Write(ctx, request, func(ctx context.Context, tx ledger.Tx) error {
		r, at, err := s.report(ctx, tx, req.GetReport())
		if err != nil {
			return err
		}
		if at != revision {
			return fault.Stale(req.GetReport(), record.Etag(at))
		}
		m.NarrativeSha256 = sum(r)
		p, err := record.Put(m, m.GetName(), record.KindMasked, record.VerbMask, ledger.Any)
		if err != nil {
			return err
		}
		_, err = tx.Put(ctx, p)
		return err
	})
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	if !receipt.Replayed {
		return m, nil
	}
	res, err := s.Ledger.GetAt(ctx, m.GetName(), receipt.Seq)
	if err != nil {
		return nil, err
	}
	return m, record.Read(res.Body, res.Revision, m)
}

type getter interface {
	Get(ctx context.Context, name string) (ledger.Resource, error)
}

// report reads a report that the caller may see, and its revision.
func (s *Service) report(ctx context.Context, from getter, name string) (*pb.Report, int64, error) {
	res, err := from.Get(ctx, name)
	if errors.Is(err, ledger.ErrNotFound) {
		return nil, 0, fault.NotFound(name)
	}
	if err != nil {
		return nil, 0, err
	}
	r := &pb.Report{}
	if res.Kind != record.KindReport || len(res.Body) == 0 {
		return nil, 0, fault.NotFound(name)
	}
	if err := record.Read(res.Body, res.Revision, r); err != nil {
		return nil, 0, err
	}
	if !access.SeesReport(access.From(ctx), s.Tree, r.GetWorkplace(), name) {
		return nil, 0, fault.NotFound(name)
	}
	return r, res.Revision, nil
}

func each(ctx context.Context, l ledger.Ledger, kind, prefix string, visit func(ledger.Resource) error) error {
	const chunk = 1000
	for after := ""; ; {
		page, err := l.List(ctx, kind, prefix, after, chunk)
		if err != nil {
			return err
		}
		for _, res := range page {
			after = res.Name
			if len(res.Body) == 0 {
				continue
			}
			if err := visit(res); err != nil {
				return err
			}
		}
		if len(page) < chunk {
			return nil
		}
	}
}
