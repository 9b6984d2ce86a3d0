package intake

import (
	"context"
	"errors"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
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
	if r.GetTellerMode() == pb.TellerMode_TELLER_MODE_ANONYMOUS {
		return nil, fault.NotFound(req.GetName())
	}
	if confidential && s.Keepers != nil {
		// Whoever the name is closed to may open it, whatever their role; nobody
		// else may, whatever theirs.
		t, closed, err := s.closedTeller(ctx, req.GetName())
		if err != nil {
			return nil, err
		}
		if closed {
			view.ConfidentialTellers = s.Keepers.IsKeeper(t, access.From(ctx).Name)
			view.NamedTellers = true
		}
	}
	switch {
	case confidential && !view.ConfidentialTellers, !view.NamedTellers:
		return nil, fault.Denied("who told this is not open to you")
	case confidential && utf8.RuneCountInString(reason) < minReason:
		return nil, fault.Invalid(fault.Violation{Field: "reason",
			Description: "is needed: this was told in confidence. Say in ten characters or more why you must know; it is kept in the log, and whoever told can read it"})
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
	if len(t.GetClosed()) > 0 {
		if t, err = s.Keepers.Open(ctx, t, req.GetPassphrase()); err != nil {
			return nil, err
		}
		req = proto.Clone(req).(*pb.GetTellerRequest)
		req.Passphrase = "" // not even its hash stays
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

// closedTeller reads who told, and says whether it is closed to keepers.
func (s *Service) closedTeller(ctx context.Context, name string) (*pb.Teller, bool, error) {
	res, err := s.Ledger.Get(ctx, name)
	if errors.Is(err, ledger.ErrNotFound) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, err
	}
	t := &pb.Teller{}
	err = record.Read(res.Body, res.Revision, t)
	return t, len(t.GetClosed()) > 0, err
}
