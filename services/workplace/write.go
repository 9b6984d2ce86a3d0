package workplace

import (
	"context"
	"errors"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// The root of the tree is a claim, so that two writers who both want to be the
// first cannot both be.
const (
	spaceRoot = "workplace-root"
	keyRoot   = "root"
)

// changeable are the fields of a workplace that an update may change.
var changeable = []string{"title", "parent", "time_zone", "jurisdiction", "industry_code", "close_time"}

// newWorkplace checks what can be checked without looking anything up, and
// returns the workplace as it is to be stored.
func newWorkplace(given *pb.Workplace, now time.Time) (*pb.Workplace, error) {
	if given == nil {
		return nil, fault.Invalid(fault.Violation{Field: "workplace", Description: "is needed"})
	}
	w := proto.Clone(given).(*pb.Workplace)
	w.Etag, w.CreateTime, w.UpdateTime = "", timestamppb.New(now), timestamppb.New(now)
	return w, check(w).Err()
}

// create stores a new workplace.
func create(ctx context.Context, tx ledger.Tx, w *pb.Workplace, now time.Time) error {
	if _, err := tx.Get(ctx, w.GetName()); err == nil {
		return fault.Exists(w.GetName())
	}
	if w.GetParent() == "" {
		if err := tx.Claim(ctx, spaceRoot, keyRoot, w.GetName()); err != nil {
			var claimed *ledger.ClaimedError
			if errors.As(err, &claimed) {
				return fault.Invalid(fault.Violation{Field: "workplace.parent",
					Description: "is needed: the tree has a root already, " + claimed.Name})
			}
			return err
		}
	} else if err := below(ctx, tx, w, now); err != nil {
		return err
	}
	return put(ctx, tx, w, record.VerbCreate, ledger.Absent)
}

// update changes a workplace as asked, if that changes anything.
func (s *Service) update(ctx context.Context, tx ledger.Tx, req *pb.UpdateWorkplaceRequest, revision int64) error {
	name, now := req.GetWorkplace().GetName(), s.clock()
	r, err := tx.Get(ctx, name)
	if err != nil {
		return notFound(err, name)
	}
	if r.Revision != revision {
		return fault.Stale(name, record.Etag(r.Revision))
	}
	before := &pb.Workplace{}
	if err := record.Read(r.Body, r.Revision, before); err != nil {
		return err
	}
	w := proto.Clone(before).(*pb.Workplace)
	if vs := record.Apply(w, req.GetWorkplace(), req.GetUpdateMask(), changeable, "workplace"); len(vs) > 0 {
		return vs.Err()
	}
	if proto.Equal(before, w) {
		return nil
	}
	var vs fault.Violations
	for _, v := range s.rules(w) {
		vs.Add("workplace."+v.Field, v.Description)
	}
	if len(vs) > 0 {
		return vs.Err()
	}
	vs = check(w)
	switch {
	case before.GetParent() == "" && w.GetParent() != "":
		vs.Add("workplace.parent", "must stay empty: this is the root, and the tree needs one")
	case before.GetParent() != "" && w.GetParent() == "":
		vs.Add("workplace.parent", "is needed: there is one root, and it is another workplace")
	}
	if len(vs) > 0 {
		return vs.Err()
	}
	if before.GetParent() != w.GetParent() {
		if err := below(ctx, tx, w, now); err != nil {
			return err
		}
		if err := noHoursTwice(ctx, tx, before, w); err != nil {
			return err
		}
	}
	w.UpdateTime = timestamppb.New(now)
	return put(ctx, tx, w, record.VerbUpdate, revision)
}

// below checks that a workplace can stand below its parent: the parent is
// there, is open, is not the workplace itself or below it, and its level lets
// the workplace in.
func below(ctx context.Context, tx ledger.Tx, w *pb.Workplace, now time.Time) error {
	var vs fault.Violations
	for at, first := w.GetParent(), true; at != ""; first = false {
		if at == w.GetName() {
			vs.Add("workplace.parent", "is the workplace itself or stands below it; choose one that does not")
			return vs.Err()
		}
		r, err := tx.Get(ctx, at)
		if err != nil {
			return notFound(err, at)
		}
		p := &pb.Workplace{}
		if err := record.Read(r.Body, r.Revision, p); err != nil {
			return err
		}
		if first && p.GetLevel() > w.GetLevel() {
			vs.Add("workplace.parent", "is "+levelWords[p.GetLevel()]+", and "+levelWords[w.GetLevel()]+" cannot stand below it")
		}
		if c := p.GetCloseTime(); c != nil && !now.Before(c.AsTime()) {
			vs.Add("workplace.parent", "is closed, or stands below a workplace that is ("+at+"); choose one that is open")
		}
		at = p.GetParent()
	}
	return vs.Err()
}

var levelWords = map[pb.WorkplaceLevel]string{
	pb.WorkplaceLevel_WORKPLACE_LEVEL_ORGANISATION: "an organisation",
	pb.WorkplaceLevel_WORKPLACE_LEVEL_SITE:         "a site",
	pb.WorkplaceLevel_WORKPLACE_LEVEL_AREA:         "an area",
	pb.WorkplaceLevel_WORKPLACE_LEVEL_CREW:         "a crew",
}

func put(ctx context.Context, tx ledger.Tx, w *pb.Workplace, verb string, ifRevision int64) error {
	p, err := record.Put(w, w.GetName(), record.KindWorkplace, verb, ifRevision)
	if err != nil {
		return err
	}
	_, err = tx.Put(ctx, p)
	return err
}
