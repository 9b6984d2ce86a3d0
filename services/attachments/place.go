package attachments

import (
	"context"
	"errors"
	"strings"
	"time"

	"github.com/google/uuid"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/harm"
	"fairlead/services/ledger"
	"fairlead/services/receiptcode"
	"fairlead/services/record"
)

// afterFiling is how long whoever filed a report may add to it. Of an anonymous
// report only the day of the filing is known, so that it is a day longer.
const afterFiling = 24 * time.Hour

// byReceipt is how long after that whoever holds the receipt code may: a tablet
// may be out of reach for weeks, and its photos with it.
const byReceipt = 30 * 24 * time.Hour

// place is where a new attachment goes, and what the log says of whoever adds
// it.
type place struct {
	report, name string
	// anonymous says that nobody may know who told, confidential that a named
	// few may: the log knows neither.
	anonymous, confidential bool
	actor                   string
	time                    time.Time
}

// place decides whether the caller may add to a report, and as whom.
func (s *Service) place(ctx context.Context, h *pb.AttachmentHeader) (*place, error) {
	res, err := s.Ledger.Get(ctx, h.GetReport())
	if errors.Is(err, ledger.ErrNotFound) || err == nil && (res.Kind != record.KindReport || len(res.Body) == 0) {
		return nil, fault.NotFound(h.GetReport())
	}
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	r := &pb.Report{}
	if err := record.Read(res.Body, res.Revision, r); err != nil {
		return nil, err
	}
	who, now := access.From(ctx), s.Clock()
	p := &place{report: h.GetReport(), anonymous: r.GetTellerMode() == pb.TellerMode_TELLER_MODE_ANONYMOUS,
		confidential: r.GetTellerMode() == pb.TellerMode_TELLER_MODE_CONFIDENTIAL, actor: who.Name, time: now}
	until := r.GetReceiveTime().AsTime().Add(afterFiling)
	if p.anonymous {
		until = until.Add(afterFiling)
		p.time = s.dayOf(r.GetWorkplace(), now)
		if now.Before(until) {
			// Whoever adds now may be who told.
			p.actor = access.Anonymous
		}
	}
	if p.confidential && (now.Before(until) || !works(who)) {
		p.actor = access.Confidential // the same
	}
	given := strings.ToLower(h.GetAttachmentId())
	if p.name = p.report + "/attachments/" + given; given == "" {
		p.name += s.mint(p.anonymous)
	}
	if !works(who) || !access.Sees(who, s.Tree, r.GetWorkplace()) {
		proven, err := s.holdsReceipt(ctx, h, now.Before(until.Add(byReceipt)))
		if err != nil {
			return nil, err
		}
		if proven && p.anonymous {
			p.actor = access.Anonymous
		}
		if proven && p.confidential {
			p.actor = access.Confidential
		}
		if !proven {
			if err := s.filed(ctx, p, who, now.Before(until)); err != nil {
				return nil, err
			}
		}
	}
	var vs fault.Violations
	if given != "" && uuid.Validate(given) != nil || strings.Contains(given, "{") || given != "" && len(given) != 36 {
		vs.Add("header.attachment_id", "must be a UUID, such as 0190d3a0-7c1e-7b3a-9f6e-2b1c4d5e6f70")
	}
	if p.anonymous && h.GetKeepLocation() {
		vs.Add("header.keep_location", "must be left out with an anonymous report: nothing that could tell who told is kept")
	}
	return p, vs.Err()
}

// works reports whether somebody works on reports that others filed.
func works(who access.Principal) bool {
	return who.Has(pb.Role_ROLE_SUPERVISOR) || who.Has(pb.Role_ROLE_ADVISER) || who.Has(pb.Role_ROLE_REPRESENTATIVE)
}

// holdsReceipt reports whether the caller gave the receipt code of the report in
// time. It says nothing of a code that does not fit; nobody tries 80 bits through.
func (s *Service) holdsReceipt(ctx context.Context, h *pb.AttachmentHeader, inTime bool) (bool, error) {
	code, err := receiptcode.Read(h.GetReceiptCode())
	if err != nil || !inTime {
		return false, nil //nolint:nilerr // as if none were given
	}
	name, err := s.Ledger.Claimed(ctx, record.SpaceReceipt, receiptcode.Hash(code))
	if errors.Is(err, ledger.ErrNotFound) {
		return false, nil
	}
	return name == h.GetReport(), err
}

// filed returns nil when the caller is who filed the report, lately. Somebody
// else hears that it is not there.
func (s *Service) filed(ctx context.Context, p *place, who access.Principal, lately bool) error {
	if p.anonymous || p.confidential {
		// Its name says nothing and is known to whoever filed it, and to
		// those who may see it.
		if lately {
			return nil
		}
		if _, err := s.Ledger.Get(ctx, p.name); err == nil && p.confidential {
			return nil // what was added in time is answered as then
		}
		return fault.NotFound(p.report)
	}
	changes, err := s.Ledger.History(ctx, p.report)
	if err != nil {
		return fault.FromLedger(err, record.Etag)
	}
	if changes[0].Actor != who.Name {
		return fault.NotFound(p.report)
	}
	if lately {
		return nil
	}
	// What was added in time is answered as then.
	if _, err := s.Ledger.Get(ctx, p.name); err == nil {
		return nil
	}
	return fault.State(p.report, "it is more than a day since the report was filed; hand the file to your supervisor or the safety adviser, who can add it")
}

func (s *Service) mint(anonymous bool) string {
	if anonymous {
		return s.RandomID()
	}
	return s.NewID()
}

// dayOf is the beginning of the day of a workplace.
func (s *Service) dayOf(workplace string, t time.Time) time.Time {
	zone := s.Tree.Location(workplace)
	return harm.DayOf(t, zone).In(zone)
}
