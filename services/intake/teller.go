package intake

import (
	"context"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/wrapperspb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// minReason is how many characters a reason to open a confidential teller has
// at least.
const minReason = 10

// openTeller returns who told a report. Whether the caller may know is decided
// before it is looked up whether there is anyone to know. The opening of a
// confidential teller is on disk before the name leaves.
func (s *Service) openTeller(ctx context.Context, req *pb.GetTellerRequest) (*pb.Teller, error) {
	report, _ := record.ReportOf(req.GetName())
	r, err := s.read(ctx, report)
	if err != nil {
		return nil, err
	}
	view := s.view(ctx, r)
	confidential := r.GetTellerMode() != pb.TellerMode_TELLER_MODE_NAMED
	reason := strings.TrimSpace(req.GetReason())
	switch {
	case r.GetTellerMode() == pb.TellerMode_TELLER_MODE_ANONYMOUS:
		return nil, fault.NotFound(req.GetName())
	case confidential && !view.ConfidentialTellers, !view.NamedTellers:
		return nil, fault.Denied("who told this is not open to you")
	case confidential && utf8.RuneCountInString(reason) < minReason:
		return nil, fault.Invalid(fault.Violation{Field: "reason",
			Description: "is needed: this was told in confidence. Say in ten characters or more why you must know; it is kept in the log"})
	}
	res, err := s.Ledger.Get(ctx, req.GetName())
	if err != nil {
		return nil, notFound(err, req.GetName())
	}
	t := &pb.Teller{}
	if err := record.Read(res.Body, res.Revision, t); err != nil {
		return nil, err
	}
	if !confidential {
		return t, nil
	}
	asked, err := record.Request(access.From(ctx).Name, "", req)
	if err != nil {
		return nil, err
	}
	opening := req.GetName() + "/reads/" + s.NewID()
	_, err = s.Ledger.Write(ctx, asked, func(ctx context.Context, tx ledger.Tx) error {
		p, err := record.Put(wrapperspb.String(reason), opening, record.KindTellerRead, record.VerbOpenTeller, ledger.Absent)
		if err != nil {
			return err
		}
		_, err = tx.Put(ctx, p)
		return err
	})
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	return t, nil
}
