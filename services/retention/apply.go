package retention

import (
	"context"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/harm"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

const (
	// usualApply is how many reports one call takes on when it does not say.
	usualApply = 200
	// atOnce is how many reports share one write, so that people who file
	// meanwhile do not wait.
	atOnce = 20
)

// apply takes out what a preview listed, a bounded part of it.
func (s *Service) apply(ctx context.Context, req *pb.ApplyRetentionRequest) (*pb.ApplyRetentionResponse, error) {
	if strings.TrimSpace(req.GetReason()) == "" {
		return nil, fault.Invalid(fault.Violation{Field: "reason", Description: "is needed: who decided it, and when?"})
	}
	asked, err := record.Request(access.From(ctx).Name, req.GetRequestId(), req)
	if err != nil {
		return nil, err
	}
	before := &pb.ApplyRetentionResponse{}
	if seq, ok, err := s.answered(ctx, asked, before); ok || err != nil {
		before.SequenceNumber = seq
		return before, err
	}
	d, err := s.due(ctx, req.GetDate(), req.GetClasses())
	if err != nil {
		return nil, err
	}
	switch {
	case d.day > harm.DayOf(s.Clock(), s.Tree.Location(s.Tree.Root())):
		return nil, fault.Invalid(fault.Violation{Field: "date", Description: "has not come yet: what falls due later can be looked at, not applied"})
	case d.etag() != req.GetEtag():
		// The etag of the new list is told to whoever looks at it, not here.
		return nil, fault.Stale("the list of what is due", record.Etag(d.seq))
	}
	limit := int(req.GetLimit())
	if limit == 0 {
		limit = usualApply
	}
	todo := d.list[:min(limit, len(d.list))]
	for done := 0; done < len(todo); done += atOnce {
		if err := s.applySome(ctx, d, todo[done:min(done+atOnce, len(todo))], req.GetReason()); err != nil {
			return nil, err
		}
	}
	rest := *d
	rest.list = d.list[len(todo):]
	name := runPrefix + s.NewID()
	out := &pb.ApplyRetentionResponse{Run: name, Done: int64(len(todo)), Remaining: int64(len(rest.list))}
	if len(rest.list) > 0 {
		out.NextEtag = rest.etag()
	}
	run := &pb.RetentionRun{Name: name, Principal: access.From(ctx).Name, Reason: req.GetReason(), PreviewEtag: req.GetEtag(), Response: out}
	answer, err := proto.Marshal(out)
	if err != nil {
		return nil, err
	}
	receipt, err := s.Ledger.Write(ctx, asked, func(ctx context.Context, tx ledger.Tx) error {
		tx.SetAnswer(answer)
		return put(ctx, tx, run, name, record.KindRetentionRun, record.VerbErase, ledger.Absent)
	})
	if err != nil {
		return nil, outside(err, name)
	}
	out.SequenceNumber = receipt.Seq
	return out, nil
}

const runPrefix = "retentionRuns/"

// applySome takes something out of a few reports, in one write.
func (s *Service) applySome(ctx context.Context, d *dueList, some []dueReport, reason string) error {
	plans := make([]*rewriting, len(some))
	for i, r := range some {
		w, err := s.planStep(ctx, r, reason)
		if err != nil {
			return s.moved(ctx, err, r.report)
		}
		plans[i] = w
	}
	_, err := s.Ledger.Write(ctx, ledger.Request{Actor: access.From(ctx).Name}, func(ctx context.Context, tx ledger.Tx) error {
		// A hold that was placed a moment ago counts.
		now, err := s.held(ctx, tx)
		if err != nil {
			return err
		}
		if !d.under.same(now) {
			return errMoved
		}
		for _, w := range plans {
			if err := w.write(ctx, tx); err != nil {
				return err
			}
		}
		return nil
	})
	return s.moved(ctx, err, "the list of what is due")
}

// planStep works out one step for one report.
func (s *Service) planStep(ctx context.Context, r dueReport, reason string) (*rewriting, error) {
	var part pb.RemovedPart
	var take strip
	switch r.step {
	case pb.RetentionStep_RETENTION_STEP_TELLERS:
		return &rewriting{report: r.report, tellers: tellers{true}}, nil
	case pb.RetentionStep_RETENTION_STEP_IDENTITIES:
		part, take = pb.RemovedPart_REMOVED_PART_IDENTITIES, withoutIdentities
	default:
		part, take = pb.RemovedPart_REMOVED_PART_WORDS, withoutWords
	}
	w, err := s.plan(ctx, r.report, take, s.note(part, r.class.GetName(), reason))
	if err != nil {
		return nil, err
	}
	w.teller = true
	if part == pb.RemovedPart_REMOVED_PART_WORDS {
		if err := known(ctx, s.Ledger, r.report); err != nil {
			return nil, err
		}
		err = s.detach(ctx, w, reason)
	}
	return w, err
}

// detach takes the photos and sound of a report out: their bytes are destroyed
// by the sweep of attachments.
func (s *Service) detach(ctx context.Context, w *rewriting, reason string) error {
	return list(ctx, s.Ledger, record.KindAttachment, w.report+"/", func(res ledger.Resource) error {
		a := &pb.Attachment{}
		if len(res.Body) == 0 {
			return nil
		}
		if err := record.Read(res.Body, res.Revision, a); err != nil {
			return err
		}
		if a.GetRemoveTime() != nil {
			return nil
		}
		withoutWords(a)
		a.RemoveTime, a.RemoveReason = timestamppb.New(s.Clock()), reason
		for i, p := range w.parts {
			if p.name == res.Name {
				w.parts[i].next = a
				return nil
			}
		}
		w.parts = append(w.parts, rewritten{name: res.Name, kind: record.KindAttachment, revision: res.Revision, next: proto.Message(a)})
		return nil
	})
}
