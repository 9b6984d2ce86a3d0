package keepers

import (
	"context"
	"errors"
	"slices"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/record"
)

// Eraser destroys who told reports; see services/retention.
type Eraser interface {
	// EraseTellers destroys who told the named reports, in the caller's name and
	// for a reason, but for those under a legal hold, which it counts. It refuses
	// while the person is held.
	EraseTellers(ctx context.Context, reports []string, person, reason string) (erased, held int, err error)
}

// EraseClosedNames implements KeeperService.
func (s *Service) EraseClosedNames(ctx context.Context, req *pb.EraseClosedNamesRequest) (*pb.EraseClosedNamesResponse, error) {
	if strings.TrimSpace(req.GetReason()) == "" {
		return nil, fault.Invalid(fault.Violation{Field: "reason", Description: "is needed: who asked, or which rule? It stays on record, so do not say who the person is"})
	}
	identity, _, err := s.own(ctx, req.GetPassphrase())
	if err != nil {
		return nil, err
	}
	out := &pb.EraseClosedNamesResponse{}
	var reports []string
	err = names(ctx, s.Ledger, func(k kept) error {
		if len(k.teller.GetClosed()) == 0 {
			return nil
		}
		t, err := openWith(k.teller, identity)
		switch {
		case errors.Is(err, errNotOurs):
			out.Beyond++
			return nil
		case err != nil:
			return err
		case isOf(t, req):
			report, _ := record.ReportOf(t.GetName())
			reports = append(reports, report)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	erased, held, err := s.Eraser.EraseTellers(ctx, reports, req.GetPerson(), req.GetReason())
	out.Erased, out.Held = int32(erased), int32(held)
	return out, err
}

// isOf reports whether a name is that of the person: by id, or, where there is
// none, by how it is written.
func isOf(t *pb.Teller, req *pb.EraseClosedNamesRequest) bool {
	if t.GetPerson() != "" {
		return t.GetPerson() == req.GetPerson()
	}
	plain := func(name string) string { return strings.Join(strings.Fields(strings.ToLower(name)), " ") }
	return slices.ContainsFunc(req.GetWrittenAs(), func(w string) bool {
		return plain(w) != "" && plain(w) == plain(t.GetDisplayName())
	})
}
