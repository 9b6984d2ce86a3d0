package workplace

import (
	"context"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// newPerson checks what can be checked without looking anything up, and returns
// the person as to be stored.
func newPerson(given *pb.Person, now time.Time) (*pb.Person, error) {
	var vs fault.Violations
	if given == nil {
		vs.Add("person", "is needed")
		return nil, vs.Err()
	}
	if strings.TrimSpace(given.GetDisplayName()) == "" {
		vs.Add("person.display_name", "is needed: what do people call them?")
	}
	p := proto.Clone(given).(*pb.Person)
	p.Etag, p.CreateTime = "", timestamppb.New(now)
	return p, vs.Err()
}

// createPerson stores a new person at a workplace that is there and open.
func createPerson(ctx context.Context, tx ledger.Tx, p *pb.Person, now time.Time) error {
	for at := p.GetWorkplace(); at != ""; {
		r, err := tx.Get(ctx, at)
		if err != nil {
			return notFound(err, at)
		}
		w := &pb.Workplace{}
		if err := record.Read(r.Body, r.Revision, w); err != nil {
			return err
		}
		if c := w.GetCloseTime(); c != nil && !now.Before(c.AsTime()) {
			return fault.Invalid(fault.Violation{Field: "person.workplace",
				Description: "is closed, or stands below a workplace that is (" + at + "); choose where the person works now"})
		}
		at = w.GetParent()
	}
	put, err := record.Put(p, p.GetName(), record.KindPerson, record.VerbCreate, ledger.Absent)
	if err != nil {
		return err
	}
	_, err = tx.Put(ctx, put)
	return err
}
