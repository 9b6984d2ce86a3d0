package attachments

import (
	"context"
	"errors"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// epoch stands for a time that is no longer known.
var epoch = &timestamppb.Timestamp{}

// remove takes an attachment out, with a reason. Its bytes go at the next
// sweep after a day.
func (s *Service) remove(ctx context.Context, req *pb.RemoveAttachmentRequest) (*pb.WriteAttachmentResponse, error) {
	report, _ := record.ReportOf(req.GetName())
	if err := s.sees(ctx, report, req.GetName()); err != nil {
		return nil, err
	}
	var vs fault.Violations
	revision, ok := record.Revision(req.GetEtag())
	if !ok {
		vs.Add("etag", "is needed: read the attachment and send the etag that came with it")
	}
	if strings.TrimSpace(req.GetReason()) == "" {
		vs.Add("reason", "is needed: why is it taken out?")
	}
	if err := vs.Err(); err != nil {
		return nil, err
	}
	asked, err := record.Request(access.From(ctx).Name, req.GetRequestId(), req)
	if err != nil {
		return nil, err
	}
	now := s.Clock()
	receipt, err := s.Ledger.Write(ctx, asked, func(ctx context.Context, tx ledger.Tx) error {
		res, err := tx.Get(ctx, req.GetName())
		if errors.Is(err, ledger.ErrNotFound) || err == nil && (res.Kind != record.KindAttachment || len(res.Body) == 0) {
			return fault.NotFound(req.GetName())
		}
		if err != nil {
			return err
		}
		a, err := read(res)
		switch {
		case err != nil:
			return err
		case a.GetRemoveTime() != nil:
			return fault.State(a.GetName(), "the attachment was removed already")
		case res.Revision != revision:
			return fault.Stale(a.GetName(), record.Etag(res.Revision))
		}
		a.RemoveTime, a.RemoveReason = timestamppb.New(now), strings.TrimSpace(req.GetReason())
		put, err := record.Put(a, a.GetName(), record.KindAttachment, record.VerbDetach, revision)
		if err != nil {
			return err
		}
		_, err = tx.Put(ctx, put)
		return err
	})
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	a, err := s.asAt(ctx, req.GetName(), receipt.Seq)
	if err != nil {
		return nil, err
	}
	return &pb.WriteAttachmentResponse{Attachment: a, SequenceNumber: receipt.Seq}, nil
}
