package retention

import (
	"context"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

const classPrefix = "retentionClasses/"

//go:embed suggested.json
var suggestedJSON []byte

// suggestions reads the classes that come with the software.
func suggestions() ([]*pb.RetentionClass, error) {
	var raw []json.RawMessage
	if err := json.Unmarshal(suggestedJSON, &raw); err != nil {
		return nil, fmt.Errorf("retention: suggested classes: %w", err)
	}
	var out []*pb.RetentionClass
	for i, b := range raw {
		c := &pb.RetentionClass{}
		if err := protojson.Unmarshal(b, c); err != nil {
			return nil, fmt.Errorf("retention: suggested class %d: %w", i+1, err)
		}
		c.Suggested = true
		out = append(out, c)
	}
	return out, nil
}

// classes returns the classes of the house and the suggestions that it has not
// made its own, by name.
func (s *Service) classes(ctx context.Context, from lister) ([]*pb.RetentionClass, error) {
	var out []*pb.RetentionClass
	there := map[string]bool{}
	err := list(ctx, from, record.KindRetentionClass, classPrefix, func(res ledger.Resource) error {
		c := &pb.RetentionClass{}
		if err := record.Read(res.Body, res.Revision, c); err != nil {
			return err
		}
		there[c.GetName()] = true
		out = append(out, c)
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, c := range s.suggested {
		if !there[c.GetName()] {
			out = append(out, proto.Clone(c).(*pb.RetentionClass))
		}
	}
	slices.SortFunc(out, func(a, b *pb.RetentionClass) int { return strings.Compare(a.GetName(), b.GetName()) })
	return out, nil
}

// checkClass returns what the contract cannot see.
func (s *Service) checkClass(req *pb.SetRetentionClassRequest) fault.Violations {
	var vs fault.Violations
	c := req.GetRetentionClass()
	for _, f := range []struct{ at, text, cure string }{
		{"retention_class.title", c.GetTitle(), "is needed: what is it about?"},
		{"retention_class.source", c.GetSource(), "is needed: the law and its section, or that it is a rule of the house"},
		{"reason", req.GetReason(), "is needed: why is it set so?"},
	} {
		if strings.TrimSpace(f.text) == "" {
			vs.Add(f.at, f.cure)
		}
	}
	if c.GetMonths() == 0 && c.GetStep() != pb.RetentionStep_RETENTION_STEP_KEEP {
		vs.Add("retention_class.months", "must be 1 or more where something is taken out; 0 only keeps for ever")
	}
	if f := c.GetFilter(); f.GetStartDate() != "" || f.GetEndDate() != "" {
		vs.Add("retention_class.filter", "must not have dates: a class is about a kind of report, and the period counts its days")
	}
	if _, ok := record.Revision(c.GetEtag()); c.GetEtag() != "" && !ok {
		vs.Add("retention_class.etag", "is not an etag from here; read the class and send the etag that came with it")
	}
	return append(vs, s.checkFilter(c.GetFilter(), "retention_class.filter")...)
}

// setClass adds or changes a class.
func (s *Service) setClass(ctx context.Context, req *pb.SetRetentionClassRequest) (*pb.WriteRetentionClassResponse, error) {
	given := req.GetRetentionClass()
	revision, _ := record.Revision(given.GetEtag())
	return s.writeClass(ctx, req, req.GetRequestId(), given.GetName(), func(ctx context.Context, tx ledger.Tx) error {
		c := &pb.RetentionClass{Name: given.GetName(), Title: given.GetTitle(), Filter: given.GetFilter(), Months: given.GetMonths(),
			Start: given.GetStart(), Step: given.GetStep(), Source: given.GetSource(), ChangeReason: req.GetReason(),
			UpdateTime: timestamppb.New(s.Clock())}
		verb := record.VerbUpdate
		if revision == 0 {
			verb = record.VerbCreate
		}
		return put(ctx, tx, c, c.GetName(), record.KindRetentionClass, verb, revision)
	})
}

// agree notes that the caller's roles agree to a class.
func (s *Service) agree(ctx context.Context, req *pb.AgreeRetentionClassRequest) (*pb.WriteRetentionClassResponse, error) {
	if strings.TrimSpace(req.GetReason()) == "" {
		return nil, fault.Invalid(fault.Violation{Field: "reason", Description: "is needed: what was it checked against?"})
	}
	who := access.From(ctx)
	return s.change(ctx, req, req.GetRequestId(), req.GetName(), req.GetEtag(), req.GetReason(), func(c *pb.RetentionClass) error {
		adviser, administrator := c.GetAdviser(), c.GetAdministrator()
		if everywhere(ctx, pb.Role_ROLE_ADVISER) && adviser == "" {
			c.Adviser = who.Name
		}
		if everywhere(ctx, pb.Role_ROLE_ADMINISTRATOR) && administrator == "" {
			c.Administrator = who.Name
		}
		if c.GetAdviser() == adviser && c.GetAdministrator() == administrator {
			return fault.State(c.GetName(), "your role has agreed to this class already")
		}
		c.Suggested, c.InForce = false, c.GetAdviser() != "" && c.GetAdministrator() != ""
		return nil
	})
}

// stop takes a class out of force.
func (s *Service) stop(ctx context.Context, req *pb.StopRetentionClassRequest) (*pb.WriteRetentionClassResponse, error) {
	if strings.TrimSpace(req.GetReason()) == "" {
		return nil, fault.Invalid(fault.Violation{Field: "reason", Description: "is needed: why does it no longer hold?"})
	}
	return s.change(ctx, req, req.GetRequestId(), req.GetName(), req.GetEtag(), req.GetReason(), func(c *pb.RetentionClass) error {
		if c.GetAdviser() == "" && c.GetAdministrator() == "" {
			return fault.State(c.GetName(), "nobody has agreed to this class, so it does nothing; there is nothing to stop")
		}
		c.Adviser, c.Administrator, c.InForce = "", "", false
		return nil
	})
}

// change changes a class that is there, or is suggested.
func (s *Service) change(ctx context.Context, req proto.Message, id, name, etag, reason string, do func(*pb.RetentionClass) error) (*pb.WriteRetentionClassResponse, error) {
	revision, ok := record.Revision(etag)
	if etag != "" && !ok {
		return nil, fault.Invalid(fault.Violation{Field: "etag", Description: "is not an etag from here; read the class and send the etag that came with it"})
	}
	return s.writeClass(ctx, req, id, name, func(ctx context.Context, tx ledger.Tx) error {
		c := &pb.RetentionClass{}
		res, err := tx.Get(ctx, name)
		switch i := slices.IndexFunc(s.suggested, func(c *pb.RetentionClass) bool { return c.GetName() == name }); {
		case errors.Is(err, ledger.ErrNotFound) && i >= 0 && etag == "":
			c = proto.Clone(s.suggested[i]).(*pb.RetentionClass)
		case err != nil:
			return err
		case res.Revision != revision:
			return fault.Stale(name, record.Etag(res.Revision))
		default:
			if err := record.Read(res.Body, res.Revision, c); err != nil {
				return err
			}
		}
		if err := do(c); err != nil {
			return err
		}
		c.ChangeReason, c.UpdateTime = reason, timestamppb.New(s.Clock())
		return put(ctx, tx, c, name, record.KindRetentionClass, record.VerbUpdate, revision)
	})
}

func (s *Service) writeClass(ctx context.Context, req proto.Message, id, name string, do func(context.Context, ledger.Tx) error) (*pb.WriteRetentionClassResponse, error) {
	out := &pb.RetentionClass{}
	seq, err := s.store(ctx, req, id, name, out, do)
	return &pb.WriteRetentionClassResponse{RetentionClass: out, SequenceNumber: seq}, err
}
