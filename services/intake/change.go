package intake

import (
	"context"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// edit is one change of a report: what was asked, and what it does.
type edit struct {
	asked proto.Message
	// requestID identifies the request; name and etag the report as last seen.
	requestID, name, etag string
	// etagField is the path of the etag in the request.
	etagField string
	verb      string
	// reason is why, where the request gives a reason.
	reason string
	// do changes r, which is a copy, and returns what is in the way. It may
	// run twice and keeps no state.
	do func(ctx context.Context, from getter, r *pb.Report, x *examination) error
	// at is the path under which violations of the report are named.
	at string
}

// change makes a change to a report, if it changes anything, and returns the
// report as it then stands.
func (s *Service) change(ctx context.Context, e edit) (*pb.WriteReportResponse, error) {
	revision, ok := record.Revision(e.etag)
	if !ok {
		return nil, fault.Invalid(fault.Violation{Field: e.etagField,
			Description: "is needed: read the report and send the etag that came with it"})
	}
	who := access.From(ctx)
	asked, err := record.Request(who.Name, e.requestID, e.asked)
	if err != nil {
		return nil, err
	}
	now := s.Clock()
	receipt, err := s.Ledger.Write(ctx, asked, func(ctx context.Context, tx ledger.Tx) error {
		res, err := tx.Get(ctx, e.name)
		if err != nil {
			return notFound(err, e.name)
		}
		before := &pb.Report{}
		if err := record.Read(res.Body, res.Revision, before); err != nil {
			return err
		}
		switch {
		case res.Kind != record.KindReport, !access.SeesReport(who, s.Tree, before.GetWorkplace(), e.name):
			return fault.NotFound(e.name)
		case res.Revision != revision:
			return fault.Stale(e.name, record.Etag(res.Revision))
		case before.GetState() == pb.ReportState_REPORT_STATE_VOIDED:
			return fault.State(e.name, "the report is voided and stays as it is; file a new report if something has to be told")
		}
		r := proto.Clone(before).(*pb.Report)
		x := &examination{s: s, now: now, at: e.at, zone: s.Tree.Location(r.GetWorkplace())}
		if err := e.do(ctx, tx, r, x); err != nil {
			return err
		}
		if err := x.vs.Err(); err != nil {
			return err
		}
		if proto.Equal(before, r) {
			return nil
		}
		r.UpdateTime, r.ChangeReason = timestamppb.New(now), e.reason
		p, err := record.Put(r, e.name, record.KindReport, e.verb, revision)
		if err != nil {
			return err
		}
		_, err = tx.Put(ctx, p)
		return err
	})
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	r, err := s.asAt(ctx, e.name, receipt.Seq)
	if err != nil {
		return nil, err
	}
	shown, err := s.show(ctx, r)
	return &pb.WriteReportResponse{Report: shown, SequenceNumber: receipt.Seq}, err
}

// voiding takes a report out of every figure.
func voiding(req *pb.VoidReportRequest) edit {
	return edit{asked: req, requestID: req.GetRequestId(), name: req.GetName(), etag: req.GetEtag(), etagField: "etag",
		verb: record.VerbVoid, reason: req.GetReason(),
		do: func(_ context.Context, _ getter, r *pb.Report, x *examination) error {
			if blank(req.GetReason()) {
				x.vs.Add("reason", "is needed: why is it taken out of the figures?")
				return nil
			}
			r.State, r.VoidReason = pb.ReportState_REPORT_STATE_VOIDED, req.GetReason()
			return nil
		}}
}
