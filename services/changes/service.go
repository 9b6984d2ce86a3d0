package changes

import (
	"context"
	"encoding/hex"
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/checkpoint"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Service implements ChangeService over the log.
type Service struct {
	pb.UnimplementedChangeServiceServer
	log   ledger.Ledger
	key   *checkpoint.Key
	clock func() time.Time
}

// New returns the service over a ledger. key signs checkpoints, clock dates
// them.
func New(l ledger.Ledger, key *checkpoint.Key, clock func() time.Time) *Service {
	return &Service{log: l, key: key, clock: clock}
}

// ListChanges implements ChangeService.
func (s *Service) ListChanges(ctx context.Context, req *pb.ListChangesRequest) (*pb.ListChangesResponse, error) {
	limit := int(req.GetPageSize())
	if limit == 0 {
		limit = 100
	}
	list, err := s.log.Changes(ctx, req.GetAfterSequenceNumber(), limit)
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	head, err := s.head(ctx)
	if err != nil {
		return nil, err
	}
	out := &pb.ListChangesResponse{Head: head}
	view := access.ViewOf(access.From(ctx))
	for _, c := range list {
		out.Changes = append(out.Changes, show(c, view))
	}
	return out, nil
}

// WatchChanges implements ChangeService: it sends until the caller goes away
// or the server stops. A caller who is ahead of the log followed another one,
// or this one before it was put back from a backup, and would wait in vain.
func (s *Service) WatchChanges(req *pb.WatchChangesRequest, stream grpc.ServerStreamingServer[pb.Change]) error {
	head, err := s.log.Head(stream.Context())
	if err != nil {
		return fault.FromLedger(err, record.Etag)
	}
	if req.GetAfterSequenceNumber() > head.Seq {
		return fault.Invalid(fault.Violation{Field: "after_sequence_number", Description: fmt.Sprintf(
			"lies beyond the last change, which is %d; if the data was restored from a backup, start again from 0", head.Seq)})
	}
	view := access.ViewOf(access.From(stream.Context()))
	return ledger.Follow(stream.Context(), s.log, req.GetAfterSequenceNumber(), 256,
		func(_ context.Context, batch []ledger.Change) error {
			for _, c := range batch {
				if err := stream.Send(show(c, view)); err != nil {
					return err
				}
			}
			return nil
		})
}

// GetHead implements ChangeService.
func (s *Service) GetHead(ctx context.Context, _ *pb.GetHeadRequest) (*pb.Head, error) {
	return s.head(ctx)
}

func (s *Service) head(ctx context.Context) (*pb.Head, error) {
	h, err := s.log.Head(ctx)
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	out := &pb.Head{SequenceNumber: h.Seq, Hash: hex.EncodeToString(h.Hash[:])}
	if h.Seq > 0 {
		// The head may be an anonymous filing: the hour is enough for
		// everyone and joins back to nobody.
		out.ChangeTime = timestamppb.New(h.Time.Truncate(time.Hour))
	}
	return out, nil
}

// show turns a change into what may be read of it.
func show(c ledger.Change, view access.View) *pb.Change {
	out := &pb.Change{
		SequenceNumber: c.Seq,
		ChangeTime:     timestamppb.New(c.Time),
		Verb:           c.Verb,
		Resource:       c.Name,
		ResourceKind:   c.Kind,
		Revision:       c.Revision,
		PreviousHash:   hex.EncodeToString(c.PrevHash[:]),
		Hash:           hex.EncodeToString(c.Hash[:]),
		Format:         int32(c.Salt.Format()),
		Erased:         c.Erased,
	}
	if c.Salt.Format() == 1 {
		out.BodySha256 = hex.EncodeToString(c.BodyHash[:])
	} else {
		who := ledger.WhoHash(c.Salt.Who(), c.Time, c.Actor, c.RequestID)
		out.BodyHash, out.WhoHash = hex.EncodeToString(c.BodyHash[:]), hex.EncodeToString(who[:])
	}
	switch {
	case c.Actor == access.Anonymous:
		out.ChangeTime = timestamppb.New(c.Time.Truncate(24 * time.Hour))
	case hidesTeller(c):
		// Sessions have times too: whoever may not open the name gets none to
		// lay beside them.
		if !view.ConfidentialTellers {
			out.ChangeTime = timestamppb.New(c.Time.Truncate(24 * time.Hour))
		}
	case view.Actors:
		out.Actor, out.RequestId = c.Actor, c.RequestID
		if c.Salt.Format() > 1 {
			out.WhoSalt = hex.EncodeToString(c.Salt.Who())
		}
	}
	return out
}

// hidesTeller reports whether the actor of a change is who told in confidence, or
// may lead there: the log must not say by another door what the report does not.
func hidesTeller(c ledger.Change) bool {
	if c.Kind == record.KindAttachment && c.Verb == record.VerbAttach {
		return true // often by who told; whose report it is, is not known here
	}
	if c.Kind == record.KindSession {
		return true // who signed in, a moment before something was told
	}
	if c.Verb != record.VerbFile {
		return false
	}
	if c.Kind != record.KindReport {
		return true // the teller beside a report: hidden whatever the mode
	}
	r := &pb.Report{}
	if err := record.Read(c.Body, c.Revision, r); err != nil {
		return true
	}
	return r.GetTellerMode() != pb.TellerMode_TELLER_MODE_NAMED
}
