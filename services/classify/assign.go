package classify

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/answers"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// wholeReport is the id of a coding of the report itself.
const wholeReport = "report"

// getter reads resources, inside a write or outside.
type getter interface {
	Get(ctx context.Context, name string) (ledger.Resource, error)
}

// lister lists resources, of now or of a moment.
type lister interface {
	List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error)
}

// report returns a report that who may see, or NOT_FOUND: one elsewhere and one
// that is not there look the same.
func (s *Service) report(ctx context.Context, from getter, who access.Principal, name string) (*pb.Report, error) {
	res, err := from.Get(ctx, name)
	if errors.Is(err, ledger.ErrNotFound) {
		return nil, fault.NotFound(name)
	}
	if err != nil {
		return nil, fmt.Errorf("classify: read report: %w", err)
	}
	r := &pb.Report{}
	if err := record.Read(res.Body, res.Revision, r); err != nil {
		return nil, err
	}
	if res.Kind != record.KindReport || !access.SeesReport(who, s.tree, r.GetWorkplace(), r.GetName()) {
		return nil, fault.NotFound(name)
	}
	return r, nil
}

// assignment is a coding on its way into the ledger.
type assignment struct {
	coding *pb.Coding
	notes  []string
	// revision is that of the coding it replaces, or ledger.Absent.
	revision int64
}

// prepare checks a coding against the report as it stands in from, and returns
// what would be stored. codedBefore says that who has coded the same before.
func (s *Service) prepare(ctx context.Context, from getter, who access.Principal, req *pb.AssignCodingRequest, codedBefore bool) (assignment, error) {
	var a assignment
	r, err := s.report(ctx, from, who, req.GetParent())
	if err != nil {
		return a, err
	}
	if r.GetState() == pb.ReportState_REPORT_STATE_VOIDED {
		return a, fault.State(req.GetParent(), "the report was voided; a voided report is not coded")
	}
	c := proto.Clone(req.GetCoding()).(*pb.Coding)
	c.Name, c.Etag = codingName(req), ""
	var vs fault.Violations
	for _, v := range s.tables.Check(ctx, c) {
		vs.Add("coding."+v.Field, v.Description)
	}
	if s.tables.count(c) == 0 {
		vs.Add("coding", "has no code; give a code in at least one of "+facetNames())
	}
	vs = append(vs, against(c, r)...)
	if c.GetBlind() && codedBefore {
		vs.Add("coding.blind", "you have coded this before, so that you know of another coding; leave it out, or let another person code blind")
	}
	if crosswalk(c.GetOrigin()) && len(c.GetSourceCodes()) == 0 {
		vs.Add("coding.source_codes", "are needed for codes from a crosswalk: say which codes of which scheme they came from")
	}
	fill(c, r)
	vs = append(vs, answers.Check(c, "coding")...)
	etag := req.GetCoding().GetEtag()
	wanted, isOurs := record.Revision(etag)
	if etag != "" && !isOurs {
		vs.Add("coding.etag", "is not an etag of ours; list the codings of the report and send the one that came with it")
	}
	if err := vs.Err(); err != nil {
		return a, err
	}
	if a.revision, err = replaces(ctx, from, c.GetName(), wanted); err != nil {
		return a, err
	}
	answers.Normalise(c)
	if c.GetOrigin() == pb.CodingOrigin_CODING_ORIGIN_UNSPECIFIED {
		c.Origin = pb.CodingOrigin_CODING_ORIGIN_PERSON
	}
	c.Coder, c.CodeTime = who.Name, timestamppb.New(s.clock())
	a.coding, a.notes = c, s.notes(r, c)
	return a, nil
}

func codingName(req *pb.AssignCodingRequest) string {
	id := req.GetCoding().GetHarmId()
	if id == "" {
		id = wholeReport
	}
	return req.GetParent() + "/codings/" + id
}

func crosswalk(o pb.CodingOrigin) bool {
	return o == pb.CodingOrigin_CODING_ORIGIN_CROSSWALK_NOT_REVIEWED || o == pb.CodingOrigin_CODING_ORIGIN_CROSSWALK_REVIEWED
}

// nobodyHurt reports whether a report tells of something that hurt nobody, so
// that the questions about an injury have no answer. Where the teller was not
// sure, or told of an injury without saying who, they may have one yet.
func nobodyHurt(r *pb.Report) bool {
	switch r.GetKind() {
	case pb.ReportKind_REPORT_KIND_HAZARD, pb.ReportKind_REPORT_KIND_NEAR_MISS,
		pb.ReportKind_REPORT_KIND_DAMAGE, pb.ReportKind_REPORT_KIND_RELEASE:
		return len(r.GetHarms()) == 0
	}
	return false
}

// against returns what in a coding does not fit the report.
func against(c *pb.Coding, r *pb.Report) (vs fault.Violations) {
	harms := harmIDs(r)
	if id := c.GetHarmId(); id != "" {
		switch {
		case len(harms) == 0:
			vs.Add("coding.harm_id", "names a person hurt, and the report has none; leave it out to code the report as a whole")
		case !slices.Contains(harms, id):
			vs.Add("coding.harm_id", "is not a harm of this report; it has "+strings.Join(harms, ", "))
		}
		return vs
	}
	for _, f := range facets {
		if !f.forHarm || *f.get(c) == "" {
			continue
		}
		switch {
		case nobodyHurt(r):
			vs.Add("coding."+f.field, "says something of an injury, and nobody was hurt; leave it out, or record the harm first")
		case len(harms) > 1 && f.ofBody:
			vs.Add("coding."+f.field, "says something of one person, and "+fmt.Sprint(len(harms))+
				" were hurt; give harm_id, one of "+strings.Join(harms, ", "))
		}
	}
	return vs
}

// fill puts DOES_NOT_APPLY to the questions about an injury where nobody was
// hurt. Other facets without a code are not asked unless the coder says more.
func fill(c *pb.Coding, r *pb.Report) {
	if c.GetHarmId() != "" || !nobodyHurt(r) {
		return
	}
	for _, f := range facets {
		if !f.forHarm || *f.get(c) != "" {
			continue
		}
		if _, said := c.GetAnswers()[f.field]; said {
			continue
		}
		if c.Answers == nil {
			c.Answers = map[string]pb.AnswerState{}
		}
		c.Answers[f.field] = pb.AnswerState_ANSWER_STATE_DOES_NOT_APPLY
	}
}

func harmIDs(r *pb.Report) []string {
	var ids []string
	for _, h := range r.GetHarms() {
		ids = append(ids, h.GetHarmId())
	}
	return ids
}

// replaces returns the revision to write on top of. To replace a coding takes
// the etag last seen, so that two coders never overwrite each other unseen; the
// refusal tells the etag and nothing of the codes.
func replaces(ctx context.Context, from getter, name string, wanted int64) (int64, error) {
	old, err := from.Get(ctx, name)
	switch {
	case errors.Is(err, ledger.ErrNotFound) && wanted > 0:
		return 0, fault.Invalid(fault.Violation{Field: "coding.etag", Description: "is given, but nothing is coded here yet; leave it out"})
	case errors.Is(err, ledger.ErrNotFound):
		return ledger.Absent, nil
	case err != nil:
		return 0, fmt.Errorf("classify: read coding: %w", err)
	case old.Revision != wanted:
		return 0, fault.Stale(name, record.Etag(old.Revision))
	}
	return wanted, nil
}

// store writes a coding. Everything is checked within the write: the report may
// be voided, or coded by another, up to the last moment; and a replay is
// answered as the first time, whatever has become of the report since.
func (s *Service) store(ctx context.Context, who access.Principal, req *pb.AssignCodingRequest, codedBefore bool) (*pb.AssignCodingResponse, error) {
	asked, err := record.Request(who.Name, req.GetRequestId(), req)
	if err != nil {
		return nil, err
	}
	receipt, err := s.ledger.Write(ctx, asked, func(ctx context.Context, tx ledger.Tx) error {
		a, err := s.prepare(ctx, tx, who, req, codedBefore)
		if err != nil {
			return err
		}
		put, err := record.Put(a.coding, a.coding.GetName(), record.KindCoding, record.VerbCode, a.revision)
		if err != nil {
			return err
		}
		change, err := tx.Put(ctx, put)
		if err != nil {
			return err
		}
		a.coding.Etag = record.Etag(change.Revision)
		body, err := proto.MarshalOptions{Deterministic: true}.Marshal(s.response(a))
		if err != nil {
			return fmt.Errorf("classify: encode the answer: %w", err)
		}
		tx.SetAnswer(body)
		return nil
	})
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	resp := &pb.AssignCodingResponse{}
	if err := proto.Unmarshal(receipt.Answer, resp); err != nil {
		return nil, fmt.Errorf("classify: read the answer: %w", err)
	}
	resp.SequenceNumber = receipt.Seq
	return resp, nil
}

func (s *Service) response(a assignment) *pb.AssignCodingResponse {
	return &pb.AssignCodingResponse{Coding: a.coding, Codes: s.tables.codesOf(a.coding), Notes: a.notes}
}

// codedBefore reports whether who has coded the same before, at any time.
func (s *Service) codedBefore(ctx context.Context, who access.Principal, name string) (bool, error) {
	changes, err := s.ledger.History(ctx, name)
	if errors.Is(err, ledger.ErrNotFound) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("classify: read history: %w", err)
	}
	return slices.ContainsFunc(changes, func(c ledger.Change) bool { return c.Actor == who.Name }), nil
}
