package retention

import (
	"context"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// eraseText answers EraseReportText.
func (s *Service) eraseText(ctx context.Context, req *pb.EraseReportTextRequest) (*pb.EraseResponse, error) {
	r, err := s.report(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	asked, err := record.Request(access.From(ctx).Name, req.GetRequestId(), req)
	if err != nil {
		return nil, err
	}
	if before, err := s.erasedBefore(ctx, asked, req.GetValidateOnly()); before != nil || err != nil {
		return before, err
	}
	if err := s.checkTexts(r, req).Err(); err != nil {
		return nil, err
	}
	revision, _ := record.Revision(req.GetEtag())
	w, err := s.plan(ctx, req.GetName(), instead(req.GetTexts()), s.note(pb.RemovedPart_REMOVED_PART_SOME_WORDS, "", req.GetReason()))
	if err != nil {
		return nil, err
	}
	out := &pb.EraseResponse{Erased: w.erased(fieldsOf(req.GetTexts())), Notes: []string{
		"Photos, sound and what others wrote in other reports are not touched; copies made before, such as backups, keep what they hold."}}
	check := func(ctx context.Context, from reader) error {
		now, err := from.Get(ctx, req.GetName())
		if err != nil {
			return err
		}
		if now.Revision != revision {
			return fault.Stale(req.GetName(), record.Etag(now.Revision))
		}
		h, err := s.held(ctx, from)
		if err != nil {
			return err
		}
		return h.refuse(ctx, s, []string{req.GetName()})
	}
	if req.GetValidateOnly() {
		return out, outside(check(ctx, s.Ledger), req.GetName())
	}
	return s.finish(ctx, asked, req.GetName(), out, func(ctx context.Context, tx ledger.Tx) error {
		if err := check(ctx, tx); err != nil {
			return err
		}
		if len(out.GetErased()) == 0 {
			return fault.State(req.GetName(), "none of these words stand in any version of the report; there is nothing to erase")
		}
		return w.write(ctx, tx)
	})
}

// checkTexts returns what the contract cannot see.
func (s *Service) checkTexts(r *pb.Report, req *pb.EraseReportTextRequest) fault.Violations {
	var vs fault.Violations
	if strings.TrimSpace(req.GetReason()) == "" {
		vs.Add("reason", "is needed: why do these words go? It stays on record, so do not repeat them")
	}
	if _, ok := record.Revision(req.GetEtag()); !ok {
		vs.Add("etag", "is needed: read the report and send the etag that came with it")
	}
	for i, t := range req.GetTexts() {
		at := index("texts", i)
		_, plain := texts[t.GetField()]
		harm, ofHarm := parts(t.GetField(), "harms.", ".description")
		_, ofCoding := parts(t.GetField(), "codings.", ".note")
		listed := t.GetField() == "reasons" || t.GetField() == "origin.attributes"
		switch {
		case !plain && !listed && !ofHarm && !ofCoding:
			vs.Add(at+".field", "is not among the words of a report; write narrative, spot, harms.h1.description and so on")
		case ofHarm && !hasHarm(r, harm):
			vs.Add(at+".field", "names a harm that is not in this report")
		case t.GetField() == "narrative" && strings.TrimSpace(t.GetText()) == "":
			vs.Add(at+".text", "is needed: a report keeps an account of what happened; tell it without what must go")
		case listed && t.GetText() != "":
			vs.Add(at+".text", "must be left out: nothing stands in the place of all of these")
		case !listed && t.GetField() != "narrative" && !ofHarm && len([]rune(t.GetText())) > 4000,
			(t.GetField() == "spot" || t.GetField() == "release.substance" || t.GetField() == "origin.title") && len([]rune(t.GetText())) > 200:
			vs.Add(at+".text", "is too long to stand there")
		}
	}
	return vs
}

func hasHarm(r *pb.Report, id string) bool {
	for _, h := range r.GetHarms() {
		if h.GetHarmId() == id {
			return true
		}
	}
	return false
}

func fieldsOf(list []*pb.TextInstead) string {
	var out []string
	for _, t := range list {
		out = append(out, t.GetField())
	}
	return strings.Join(out, ", ")
}
