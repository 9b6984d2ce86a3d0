package masking

import (
	"context"
	"errors"
	"strings"
	"unicode/utf8"

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
	Covers *Covers
}

// Service implements MaskService.
type Service struct {
	pb.UnimplementedMaskServiceServer
	Deps
}

// New returns the service.
func New(d Deps) *Service { return &Service{Deps: d} }

// SuggestMasks implements MaskService.
func (s *Service) SuggestMasks(ctx context.Context, req *pb.SuggestMasksRequest) (*pb.SuggestMasksResponse, error) {
	r, _, err := s.report(ctx, s.Ledger, req.GetReport())
	if err != nil {
		return nil, err
	}
	house := s.Covers.House()
	own := house.Own(values(told(r))...)
	decided, ok, err := s.Covers.decided(ctx, r, house, own)
	if err != nil {
		return nil, err
	}
	if ok {
		// What is suggested does not lean on what was decided of this story: who
		// wants to begin again begins where everybody began.
		own = house.Own(values(told(r))...)
	}
	spans := house.Find(r.GetNarrative(), own)
	out := &pb.SuggestMasksResponse{Suggested: mask.Cover(r.GetNarrative(), spans)}
	out.Current = out.Suggested
	for _, sp := range spans {
		at := utf8.RuneCountInString(r.GetNarrative()[:sp.Start])
		text := r.GetNarrative()[sp.Start:sp.End]
		out.Passages = append(out.Passages, &pb.MaskPassage{Start: int32(at), End: int32(at + utf8.RuneCountInString(text)), Kind: string(sp.Kind), Sure: sp.Sure, Text: text})
	}
	if ok {
		out.Current, out.Decided = decided, true
	}
	return out, nil
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
