package changes

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/checkpoint"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// GetCheckpoint implements ChangeService.
func (s *Service) GetCheckpoint(ctx context.Context, _ *pb.GetCheckpointRequest) (*pb.Checkpoint, error) {
	signed, err := SignHead(ctx, s.log, s.key, s.clock())
	if errors.Is(err, checkpoint.ErrEmpty) {
		return nil, fault.State("log", "is empty: there is nothing to sign yet")
	}
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	pub, err := s.key.PublicPEM()
	if err != nil {
		return nil, err
	}
	return &pb.Checkpoint{
		Text: string(signed.Text()), SequenceNumber: signed.Seq, HeadHash: hex.EncodeToString(signed.Hash[:]), PublicKey: string(pub),
	}, nil
}

// Log is the part of a ledger that is signed.
type Log interface {
	Head(ctx context.Context) (ledger.Head, error)
	Changes(ctx context.Context, after int64, limit int) ([]ledger.Change, error)
}

// SignHead signs the end of a log.
func SignHead(ctx context.Context, l Log, key *checkpoint.Key, now time.Time) (checkpoint.Signed, error) {
	head, err := l.Head(ctx)
	if err != nil {
		return checkpoint.Signed{}, fmt.Errorf("changes: sign: %w", err)
	}
	var origin [32]byte
	if head.Seq > 0 {
		first, err := l.Changes(ctx, 0, 1)
		if err != nil {
			return checkpoint.Signed{}, fmt.Errorf("changes: sign: %w", err)
		}
		if len(first) != 1 || first[0].Seq != 1 {
			return checkpoint.Signed{}, fmt.Errorf("changes: sign: the log does not begin with change 1: run the check")
		}
		origin = first[0].Hash
	}
	return key.Sign(checkpoint.Checkpoint{Origin: origin, Seq: head.Seq, Hash: head.Hash, Time: now})
}
