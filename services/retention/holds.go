package retention

import (
	"context"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

const holdPrefix = "legalHolds/"

// holds returns all holds, those in force first.
func (s *Service) holds(ctx context.Context, from lister) ([]*pb.LegalHold, error) {
	var out []*pb.LegalHold
	err := list(ctx, from, record.KindLegalHold, holdPrefix, func(res ledger.Resource) error {
		h := &pb.LegalHold{}
		if err := record.Read(res.Body, res.Revision, h); err != nil {
			return err
		}
		out = append(out, h)
		return nil
	})
	slices.SortStableFunc(out, func(a, b *pb.LegalHold) int {
		switch ra, rb := a.GetReleaseTime() != nil, b.GetReleaseTime() != nil; {
		case ra == rb:
			return 0
		case rb:
			return -1
		}
		return 1
	})
	return out, err
}

// checkHold returns what the contract cannot see.
func (s *Service) checkHold(h *pb.LegalHold) fault.Violations {
	var vs fault.Violations
	if strings.TrimSpace(h.GetReason()) == "" {
		vs.Add("legal_hold.reason", "is needed: why must these records stay as they are?")
	}
	if strings.TrimSpace(h.GetAskedBy()) == "" {
		vs.Add("legal_hold.asked_by", "is needed: which court, regulator, insurer or person asked?")
	}
	if h.Filter == nil && len(h.GetReports())+len(h.GetPeople()) == 0 {
		vs.Add("legal_hold.filter", "is needed, or reports, or people: what is held? A filter without conditions holds everything")
	}
	return append(vs, s.checkFilter(h.GetFilter(), "legal_hold.filter")...)
}

func (s *Service) checkFilter(f *pb.ReportFilter, at string) fault.Violations {
	var vs fault.Violations
	for i, w := range f.GetWorkplaces() {
		if !s.Tree.Has(w) {
			vs.Add(at+"."+index("workplaces", i), "is not a workplace here; check the name")
		}
	}
	if _, err := s.Facts.MatchAll(nil, f, nil); err != nil {
		vs.Add(at, "is not a question that can be asked of reports; check its dates and codes")
	}
	return vs
}

// place stores a new hold.
func (s *Service) place(ctx context.Context, req *pb.PlaceLegalHoldRequest) (*pb.WriteLegalHoldResponse, error) {
	given := req.GetLegalHold()
	h := &pb.LegalHold{Name: given.GetName(), Reason: given.GetReason(), AskedBy: given.GetAskedBy(), Filter: given.GetFilter(),
		Reports: given.GetReports(), People: given.GetPeople(), PlaceTime: timestamppb.New(s.Clock()), Placer: access.From(ctx).Name}
	return s.writeHold(ctx, req, req.GetRequestId(), h.GetName(), func(ctx context.Context, tx ledger.Tx) error {
		for _, name := range append(slices.Clone(h.GetReports()), h.GetPeople()...) {
			if _, err := tx.Get(ctx, name); err != nil {
				return outside(err, name)
			}
		}
		return put(ctx, tx, h, h.GetName(), record.KindLegalHold, record.VerbCreate, ledger.Absent)
	})
}

// release ends a hold.
func (s *Service) release(ctx context.Context, req *pb.ReleaseLegalHoldRequest) (*pb.WriteLegalHoldResponse, error) {
	var vs fault.Violations
	if strings.TrimSpace(req.GetReason()) == "" {
		vs.Add("reason", "is needed: why may these records go their way again?")
	}
	revision, ok := record.Revision(req.GetEtag())
	if !ok {
		vs.Add("etag", "is needed: read the hold and send the etag that came with it")
	}
	if err := vs.Err(); err != nil {
		return nil, err
	}
	who := access.From(ctx).Name
	return s.writeHold(ctx, req, req.GetRequestId(), req.GetName(), func(ctx context.Context, tx ledger.Tx) error {
		res, err := tx.Get(ctx, req.GetName())
		if err != nil {
			return err
		}
		h := &pb.LegalHold{}
		if err := record.Read(res.Body, res.Revision, h); err != nil {
			return err
		}
		switch {
		case res.Revision != revision:
			return fault.Stale(req.GetName(), record.Etag(res.Revision))
		case h.GetReleaseTime() != nil:
			return fault.State(req.GetName(), "this hold was released already")
		}
		h.ReleaseTime, h.ReleaseReason, h.Releaser = timestamppb.New(s.Clock()), req.GetReason(), who
		return put(ctx, tx, h, h.GetName(), record.KindLegalHold, record.VerbUpdate, revision)
	})
}

func (s *Service) writeHold(ctx context.Context, req proto.Message, id, name string, do func(context.Context, ledger.Tx) error) (*pb.WriteLegalHoldResponse, error) {
	out := &pb.LegalHold{}
	seq, err := s.store(ctx, req, id, name, out, do)
	return &pb.WriteLegalHoldResponse{LegalHold: out, SequenceNumber: seq}, err
}

// store runs a write and reads the resource as it then stood. A replay reads it
// as it stood the first time.
func (s *Service) store(ctx context.Context, req proto.Message, id, name string, out proto.Message, do func(context.Context, ledger.Tx) error) (int64, error) {
	asked, err := record.Request(access.From(ctx).Name, id, req)
	if err != nil {
		return 0, err
	}
	receipt, err := s.Ledger.Write(ctx, asked, do)
	if err != nil {
		return 0, outside(err, name)
	}
	res, err := s.Ledger.GetAt(ctx, name, receipt.Seq)
	if err != nil {
		return 0, err
	}
	return receipt.Seq, record.Read(res.Body, res.Revision, out)
}

// held is what is held now.
type held struct {
	list            []*pb.LegalHold
	reports, people map[string]string
}

// held reads the holds in force.
func (s *Service) held(ctx context.Context, from lister) (*held, error) {
	all, err := s.holds(ctx, from)
	if err != nil {
		return nil, err
	}
	h := &held{reports: map[string]string{}, people: map[string]string{}}
	for _, one := range all {
		if one.GetReleaseTime() != nil {
			continue
		}
		h.list = append(h.list, one)
		for _, name := range one.GetReports() {
			h.reports[name] = one.GetName()
		}
		for _, name := range one.GetPeople() {
			h.people[name] = one.GetName()
		}
	}
	return h, nil
}

// same reports whether the same holds are in force.
func (h *held) same(other *held) bool {
	return slices.EqualFunc(h.list, other.list, func(a, b *pb.LegalHold) bool { return a.GetName() == b.GetName() && a.GetEtag() == b.GetEtag() })
}

// over returns for each of the named reports the hold that it is under, by name
// or by filter; "" for none. Voided reports are held like others.
func (h *held) over(s *Service, names []string) ([]string, error) {
	out := make([]string, len(names))
	for i, name := range names {
		out[i] = h.reports[name]
	}
	for _, one := range h.list {
		if one.Filter == nil {
			continue
		}
		match, err := s.match(names, one.GetFilter())
		if err != nil {
			return nil, err
		}
		for i, m := range match {
			if m && out[i] == "" {
				out[i] = one.GetName()
			}
		}
	}
	return out, nil
}

// person returns the hold under which one of the people is.
func (h *held) person(people ...string) string {
	for _, p := range people {
		if hold := h.people[p]; p != "" && hold != "" {
			return hold
		}
	}
	return ""
}

// refuse says which hold is in the way of taking something out of reports, or of
// erasing people.
func (h *held) refuse(ctx context.Context, s *Service, reports []string, people ...string) error {
	if len(h.list) == 0 {
		return nil
	}
	for _, name := range reports {
		of, err := s.peopleOf(ctx, name)
		if err != nil {
			return err
		}
		people = append(people, of...)
	}
	hold := h.person(people...)
	if hold == "" {
		over, err := h.over(s, reports)
		if err != nil {
			return err
		}
		for _, o := range over {
			if o != "" {
				hold = o
			}
		}
	}
	if hold == "" {
		return nil
	}
	return fault.State(hold, "nothing can be taken out while "+hold+" is in force; release the hold first, if whoever asked for it agrees")
}

// peopleOf returns the people that a report names, and who told it.
func (s *Service) peopleOf(ctx context.Context, report string) ([]string, error) {
	var out []string
	res, err := s.Ledger.Get(ctx, report)
	if err != nil {
		return nil, err
	}
	r := &pb.Report{}
	if err := record.Read(res.Body, res.Revision, r); err != nil {
		return nil, err
	}
	for _, h := range r.GetHarms() {
		out = append(out, h.GetPerson())
	}
	if res, err = s.Ledger.Get(ctx, tellerName(report)); err == nil {
		t := &pb.Teller{}
		if err := record.Read(res.Body, res.Revision, t); err != nil {
			return nil, err
		}
		out = append(out, t.GetPerson())
	}
	return out, nil
}

// match says which of the named reports a filter picks, voided ones too. It is
// asked for the whole organisation: what is held or due does not depend on who
// looks.
func (s *Service) match(names []string, f *pb.ReportFilter) ([]bool, error) {
	all := &pb.ReportFilter{}
	proto.Merge(all, f)
	all.IncludeVoided = true
	return s.Facts.MatchAll(names, all, f.GetWorkplaces())
}
