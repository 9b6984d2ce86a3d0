package retention

import (
	"context"
	"errors"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
)

// errNew says that a request was not answered before.
var errNew = errors.New("retention: a new request")

// answered reads the answer of a request that was answered before into out.
// What a request asks for may be gone since it was done, so that this comes
// before every check.
func (s *Service) answered(ctx context.Context, asked ledger.Request, out proto.Message) (seq int64, ok bool, err error) {
	if asked.ID == "" {
		return 0, false, nil
	}
	receipt, err := s.Ledger.Write(ctx, asked, func(context.Context, ledger.Tx) error { return errNew })
	if errors.Is(err, errNew) {
		return 0, false, nil
	}
	if err != nil {
		return 0, false, outside(err, "")
	}
	return receipt.Seq, true, proto.Unmarshal(receipt.Answer, out)
}

// erasedBefore answers an erasure that was answered before; nil when it is new.
func (s *Service) erasedBefore(ctx context.Context, asked ledger.Request, only bool) (*pb.EraseResponse, error) {
	out := &pb.EraseResponse{}
	seq, ok, err := s.answered(ctx, asked, out)
	if !ok || err != nil || only {
		return nil, err
	}
	out.SequenceNumber = seq
	return out, nil
}

// finish does the last write of an erasure and remembers the answer.
func (s *Service) finish(ctx context.Context, asked ledger.Request, name string, out *pb.EraseResponse, do func(context.Context, ledger.Tx) error) (*pb.EraseResponse, error) {
	answer, err := proto.Marshal(out)
	if err != nil {
		return nil, err
	}
	receipt, err := s.Ledger.Write(ctx, asked, func(ctx context.Context, tx ledger.Tx) error {
		tx.SetAnswer(answer)
		return do(ctx, tx)
	})
	if err != nil {
		return nil, s.moved(ctx, err, name)
	}
	out.SequenceNumber = receipt.Seq
	return out, nil
}
