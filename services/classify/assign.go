package classify

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/answers"
	"fairlead/services/classify/toocs"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// wholeReport is the id of a coding of the report itself.
const wholeReport = "report"

// report returns a report that who may see, or NOT_FOUND.
func (s *Service) report(ctx context.Context, who access.Principal, name string) (*pb.Report, error) {
	res, err := s.ledger.Get(ctx, name)
	if errors.Is(err, ledger.ErrNotFound) {
		return nil, fault.NotFound(name)
	}
	if err != nil {
		return nil, err
	}
	r := &pb.Report{}
	if err := record.Read(res.Body, res.Revision, r); err != nil {
		return nil, err
	}
	if !access.Sees(who, s.tree, r.GetWorkplace()) {
		// A report elsewhere and one that is not there look the same.
		return nil, fault.NotFound(name)
	}
	return r, nil
}

// prepare checks a coding and returns it as it would be stored.
func (s *Service) prepare(ctx context.Context, who access.Principal, req *pb.AssignCodingRequest) (*pb.Coding, []string, error) {
	r, err := s.report(ctx, who, req.GetParent())
	if err != nil {
		return nil, nil, err
	}
	if r.GetState() == pb.ReportState_REPORT_STATE_VOIDED {
		return nil, nil, fault.State(req.GetParent(), "the report was voided; a voided report is not coded")
	}
	c := proto.Clone(req.GetCoding()).(*pb.Coding)
	var vs fault.Violations
	for _, v := range s.tables.Check(ctx, c) {
		vs.Add("coding."+v.Field, v.Description)
	}
	id := wholeReport
	if h := c.GetHarmId(); h != "" {
		id = h
		if !hasHarm(r, h) {
			vs.Add("coding.harm_id", fmt.Sprintf("the report has no person %s; %s", h, harmWords(r)))
		}
	}
	if id == wholeReport {
		// Nobody was hurt, or the report as a whole is coded: the three
		// questions about a harm have no answer.
		for _, f := range facets {
			if f.forHarm && *f.get(c) == "" && len(r.GetHarms()) == 0 {
				if c.Answers == nil {
					c.Answers = map[string]pb.AnswerState{}
				}
				if _, said := c.Answers[f.field]; !said {
					c.Answers[f.field] = pb.AnswerState_ANSWER_STATE_DOES_NOT_APPLY
				}
			}
		}
	}
	vs = append(vs, answers.Check(c, "coding")...)
	if err := vs.Err(); err != nil {
		return nil, nil, err
	}
	answers.Normalise(c)
	c.Name = req.GetParent() + "/codings/" + id
	if c.Origin == pb.CodingOrigin_CODING_ORIGIN_UNSPECIFIED {
		c.Origin = pb.CodingOrigin_CODING_ORIGIN_PERSON
	}
	c.Coder, c.CodeTime = who.Name, timestamppb.New(s.clock())
	return c, s.notes(r, c), nil
}

func hasHarm(r *pb.Report, id string) bool {
	for _, h := range r.GetHarms() {
		if h.GetHarmId() == id {
			return true
		}
	}
	return false
}

func harmWords(r *pb.Report) string {
	if len(r.GetHarms()) == 0 {
		return "nobody was hurt, so leave harm_id empty to code the report"
	}
	out := "it has"
	for _, h := range r.GetHarms() {
		out += " " + h.GetHarmId()
	}
	return out
}

// notes are what a coder should know about the codes as a whole.
func (s *Service) notes(r *pb.Report, c *pb.Coding) []string {
	var out []string
	for _, code := range s.tables.codesOf(c) {
		switch toocs.Confidence(code.GetConfidence()) {
		case toocs.Memory, toocs.Conflict:
			out = append(out, fmt.Sprintf("%s %s: the loaded table is not sure of this entry (%s); check it in the official list", code.GetCode(), code.GetTitle(), code.GetConfidence()))
		}
	}
	if c.GetHarmId() == "" && len(r.GetHarms()) > 0 {
		out = append(out, "this report has people hurt: their harms are coded one by one, and tables of persons count those codes")
	}
	if len(r.GetHarms()) == 0 && (c.GetNature() != "" || c.GetBodilyLocation() != "") {
		out = append(out, "nobody was hurt in this report: nature and bodily location describe a harm; record the harm if there was one")
	}
	return out
}

// store writes the coding. A new one needs no etag; replacing one needs the
// etag last seen, so that two coders never overwrite each other unseen.
func (s *Service) store(ctx context.Context, who access.Principal, req *pb.AssignCodingRequest, c *pb.Coding, notes []string) (*pb.AssignCodingResponse, error) {
	ifRevision := int64(ledger.Absent)
	if e := req.GetCoding().GetEtag(); e != "" {
		n, ok := record.Revision(e)
		if !ok {
			return nil, fault.Invalid(fault.Violation{Field: "coding.etag", Description: "is not an etag of ours; read the coding again"})
		}
		ifRevision = n
	}
	asked, err := record.Request(who.Name, req.GetRequestId(), req)
	if err != nil {
		return nil, err
	}
	receipt, err := s.ledger.Write(ctx, asked, func(ctx context.Context, tx ledger.Tx) error {
		// The report may have been voided, or lost the harm, meanwhile.
		res, err := tx.Get(ctx, req.GetParent())
		if err != nil {
			return err
		}
		now := &pb.Report{}
		if err := record.Read(res.Body, res.Revision, now); err != nil {
			return err
		}
		if now.GetState() == pb.ReportState_REPORT_STATE_VOIDED {
			return fault.State(req.GetParent(), "the report was voided; a voided report is not coded")
		}
		old, err := tx.Get(ctx, c.GetName())
		switch {
		case errors.Is(err, ledger.ErrNotFound):
			if ifRevision > 0 {
				return fault.NotFound(c.GetName())
			}
		case err != nil:
			return err
		case ifRevision == ledger.Absent:
			return fault.Stale(c.GetName(), record.Etag(old.Revision))
		}
		put, err := record.Put(c, c.GetName(), record.KindCoding, record.VerbCode, ifRevision)
		if err != nil {
			return err
		}
		change, err := tx.Put(ctx, put)
		if err != nil {
			return err
		}
		answer := proto.Clone(c).(*pb.Coding)
		answer.Etag = record.Etag(change.Revision)
		body, err := proto.MarshalOptions{Deterministic: true}.Marshal(answer)
		if err != nil {
			return err
		}
		tx.SetAnswer(body)
		return nil
	})
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	stored := &pb.Coding{}
	if err := proto.Unmarshal(receipt.Answer, stored); err != nil {
		return nil, fmt.Errorf("classify: read the answer: %w", err)
	}
	return &pb.AssignCodingResponse{Coding: stored, Codes: s.tables.codesOf(stored), SequenceNumber: receipt.Seq, Notes: notes}, nil
}
