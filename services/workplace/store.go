package workplace

import (
	"context"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/moment"
	"fairlead/services/record"
)

// peoplePrefix begins the names of people.
const peoplePrefix = "people/"

// reader reads resources, of now or of a moment.
type reader interface {
	Get(ctx context.Context, name string) (ledger.Resource, error)
	List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error)
}

// asked returns what a question is answered from, and the moment that it is
// when one was asked for.
func (s *Service) asked(ctx context.Context, as *pb.AsAt) (reader, *pb.AsAt, error) {
	if past, err := moment.Listed(as, "as_at"); err != nil || !past {
		return s.ledger, nil, err
	}
	p, log, err := s.past.Log(ctx, as, "as_at")
	if err != nil {
		return nil, nil, err
	}
	return log, p.AsAt(), nil
}

// get reads a resource of one kind into out.
func get(ctx context.Context, from reader, name, kind string, out proto.Message) error {
	r, err := from.Get(ctx, name)
	if err != nil {
		return notFound(err, name)
	}
	if r.Kind != kind {
		return fault.NotFound(name)
	}
	return record.Read(r.Body, r.Revision, out)
}

// write runs do in a transaction and reads the resource as it then stood into
// out. A replay of the same request id reads it as it stood the first time.
func (s *Service) write(ctx context.Context, requestID string, asked proto.Message, name string, out proto.Message,
	do func(context.Context, ledger.Tx) error) error {
	r, err := record.Request(access.From(ctx).Name, requestID, asked)
	if err != nil {
		return err
	}
	receipt, err := s.ledger.Write(ctx, r, do)
	if err != nil {
		return fault.FromLedger(notFound(err, name), record.Etag)
	}
	if len(receipt.Answer) > 0 {
		name = string(receipt.Answer)
	}
	stored, err := s.ledger.GetAt(ctx, name, receipt.Seq)
	if err != nil {
		return err
	}
	return record.Read(stored.Body, stored.Revision, out)
}

// people returns at most size people after a name who work within one of the
// given workplaces (none: anywhere), and whether there are more.
func (s *Service) people(ctx context.Context, only []string, after string, size int) ([]*pb.Person, bool, error) {
	const chunk = 500
	var out []*pb.Person
	for {
		page, err := s.ledger.List(ctx, record.KindPerson, peoplePrefix, after, chunk)
		if err != nil {
			return nil, false, err
		}
		for _, r := range page {
			after = r.Name
			p := &pb.Person{}
			if err := record.Read(r.Body, r.Revision, p); err != nil {
				return nil, false, err
			}
			if record.ErasedPerson(p) || !s.anywhere(p.GetWorkplace(), only) {
				continue
			}
			if len(out) == size {
				return out, true, nil
			}
			out = append(out, p)
		}
		if len(page) < chunk {
			return out, false, nil
		}
	}
}

func (s *Service) anywhere(workplace string, only []string) bool {
	for _, w := range only {
		if s.tree.Within(workplace, w) {
			return true
		}
	}
	return len(only) == 0
}
