package intake

import (
	"context"
	"encoding/hex"
	"errors"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"google.golang.org/protobuf/types/known/wrapperspb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/harm"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// history lists every change of a report, of its codings and attachments and of
// what is kept about its teller, oldest first. It tells which fields changed, never what
// they say, and of the teller not even that.
func (s *Service) history(ctx context.Context, r *pb.Report) (*pb.ListReportHistoryResponse, error) {
	view := s.view(ctx, r)
	changes, err := s.Ledger.History(ctx, r.GetName())
	if err != nil {
		return nil, err
	}
	kinds := []string{record.KindTeller, record.KindTellerRead, record.KindAttachment, record.KindMessage}
	if view.Codes {
		kinds = append(kinds, record.KindCoding)
	}
	for _, kind := range kinds {
		more, err := s.historiesBelow(ctx, r.GetName()+"/", kind)
		if err != nil {
			return nil, err
		}
		changes = append(changes, more...)
	}
	slices.SortFunc(changes, func(a, b ledger.Change) int { return int(a.Seq - b.Seq) })

	out := &pb.ListReportHistoryResponse{}
	before := map[string]proto.Message{}
	for _, c := range changes {
		e := &pb.HistoryEntry{SequenceNumber: c.Seq, ChangeTime: timestamppb.New(c.Time), Verb: c.Verb, Hash: hex.EncodeToString(c.Hash[:])}
		if view.Actors {
			e.Actor = c.Actor
		}
		// Who added a photo, and filed the report, is who told.
		if c.Verb == record.VerbFile || c.Verb == record.VerbAttach && (c.Actor == changes[0].Actor || c.Actor == access.Anonymous) {
			hideFiler(e, r, s)
		}
		// Whoever comes by the receipt code is who told.
		if c.Verb == record.VerbAnswer || c.Verb == record.VerbAcknowledge {
			e.Actor = ""
			if r.GetTellerMode() != pb.TellerMode_TELLER_MODE_NAMED {
				zone := s.Tree.Location(r.GetWorkplace())
				e.ChangeTime = timestamppb.New(harm.DayOf(c.Time, zone).In(zone))
			}
		}
		if err := describe(e, c, before, view); err != nil {
			return nil, err
		}
		out.Entries = append(out.Entries, e)
	}
	if view.Actors || s.Masks == nil {
		return out, nil
	}
	reasons := make([]*string, 0, len(out.GetEntries()))
	for _, e := range out.GetEntries() {
		reasons = append(reasons, &e.Reason)
	}
	return out, s.Masks.CoverBeside(ctx, r.GetName(), reasons...)
}

// hideFiler takes out of the entry of a filing what could tell who told: the
// actor, unless the report is told openly, and the time of day of an anonymous
// one.
func hideFiler(e *pb.HistoryEntry, r *pb.Report, s *Service) {
	if r.GetTellerMode() == pb.TellerMode_TELLER_MODE_NAMED {
		return
	}
	e.Actor = ""
	if r.GetTellerMode() == pb.TellerMode_TELLER_MODE_ANONYMOUS {
		zone := s.Tree.Location(r.GetWorkplace())
		e.ChangeTime = timestamppb.New(harm.DayOf(e.GetChangeTime().AsTime(), zone).In(zone))
	}
}

// describe fills in why and what changed.
func describe(e *pb.HistoryEntry, c ledger.Change, before map[string]proto.Message, view access.View) error {
	if c.Erased {
		if len(c.Body) == 0 {
			e.Reason = "what was written here has been erased"
			return nil
		}
		defer func() { e.Reason = strings.TrimSpace(e.Reason + " (part of what was written here has been erased)") }()
	}
	var now proto.Message
	switch c.Kind {
	case record.KindReport:
		r := &pb.Report{}
		if err := record.Read(c.Body, c.Revision, r); err != nil {
			return err
		}
		e.Reason, now = r.GetChangeReason(), r
	case record.KindCoding:
		now = &pb.Coding{}
		if err := record.Read(c.Body, c.Revision, now); err != nil {
			return err
		}
	case record.KindAttachment:
		a := &pb.Attachment{}
		if err := record.Read(c.Body, c.Revision, a); err != nil {
			return err
		}
		e.Reason, e.ChangedFields = a.GetRemoveReason(), []string{"attachments"}
		return nil
	case record.KindMessage:
		e.ChangedFields = []string{"messages"}
		return nil
	case record.KindTeller:
		e.ChangedFields = []string{"teller"}
		return nil
	case record.KindTellerRead:
		var reason wrapperspb.StringValue
		if err := record.Read(c.Body, c.Revision, &reason); err != nil {
			return err
		}
		if view.ConfidentialTellers {
			e.Reason = reason.GetValue()
		}
		return nil
	default:
		return nil
	}
	e.ChangedFields = changed(before[c.Name], now)
	before[c.Name] = now
	return nil
}

// historiesBelow returns the changes of every resource of a kind below a prefix.
func (s *Service) historiesBelow(ctx context.Context, prefix, kind string) ([]ledger.Change, error) {
	const chunk = 200
	var out []ledger.Change
	for after := ""; ; {
		page, err := s.Ledger.List(ctx, kind, prefix, after, chunk)
		if err != nil {
			return nil, err
		}
		for _, res := range page {
			changes, err := s.Ledger.History(ctx, res.Name)
			if err != nil && !errors.Is(err, ledger.ErrNotFound) {
				return nil, err
			}
			out = append(out, changes...)
			after = res.Name
		}
		if len(page) < chunk {
			return out, nil
		}
	}
}
