package retention

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/protobuf/types/known/wrapperspb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// told reports whether a teller still says who told.
func told(t *pb.Teller) bool {
	return t.GetDisplayName() != noPerson || t.GetContact() != "" || t.GetPerson() != ""
}

// eraseSealed destroys whatever else lies below a report under a key of its own,
// such as what was written to and fro with who told: it may say who that is.
// That it was there stays.
func eraseSealed(ctx context.Context, tx ledger.Tx, report string) error {
	return list(ctx, tx, "", report+"/", func(res ledger.Resource) error {
		if !record.Sealed(res.Kind) || res.Kind == record.KindTeller || res.Kind == record.KindTellerRead || len(res.Body) == 0 {
			return nil
		}
		if err := tx.Erase(ctx, res.Name); err != nil {
			return err
		}
		_, err := tx.Put(ctx, ledger.Put{Name: res.Name, Kind: res.Kind, Verb: record.VerbErase, IfRevision: res.Revision, Seal: true})
		return err
	})
}

// known makes sure that nothing below a report is of a kind that this room does
// not know: words that nobody takes out must not be said to be gone.
func known(ctx context.Context, from lister, report string) error {
	return list(ctx, from, "", report+"/", func(res ledger.Resource) error {
		switch res.Kind {
		case record.KindCoding, record.KindAttachment, record.KindKept:
			return nil
		}
		if record.Sealed(res.Kind) {
			return nil
		}
		return fmt.Errorf("retention: a %s of a report is not known here, so its words are not taken out", res.Kind)
	})
}

// eraseTeller destroys who told a report, and why somebody opened it, if there
// is anything left to destroy.
func eraseTeller(ctx context.Context, tx ledger.Tx, report string) error {
	if err := eraseSealed(ctx, tx, report); err != nil {
		return err
	}
	name := tellerName(report)
	res, err := tx.Get(ctx, name)
	if errors.Is(err, ledger.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	t := &pb.Teller{}
	if len(res.Body) > 0 {
		if err := record.Read(res.Body, res.Revision, t); err != nil {
			return err
		}
	}
	if told(t) {
		if err := tx.Erase(ctx, name); err != nil {
			return err
		}
		if err := put(ctx, tx, &pb.Teller{Name: name, DisplayName: noPerson}, name, record.KindTeller, record.VerbErase, res.Revision); err != nil {
			return err
		}
	}
	return list(ctx, tx, record.KindTellerRead, name+"/reads/", func(res ledger.Resource) error {
		why := &wrapperspb.StringValue{}
		if len(res.Body) > 0 {
			if err := record.Read(res.Body, res.Revision, why); err != nil {
				return err
			}
		}
		if why.GetValue() == noPerson {
			return nil
		}
		if err := tx.Erase(ctx, res.Name); err != nil {
			return err
		}
		return put(ctx, tx, wrapperspb.String(noPerson), res.Name, record.KindTellerRead, record.VerbErase, res.Revision)
	})
}

// eraseTeller answers EraseTeller.
func (s *Service) eraseTeller(ctx context.Context, req *pb.EraseTellerRequest) (*pb.EraseResponse, error) {
	report := reportOfTeller(req.GetName())
	if _, err := s.report(ctx, report); err != nil {
		return nil, err
	}
	asked, err := record.Request(access.From(ctx).Name, req.GetRequestId(), req)
	if err != nil {
		return nil, err
	}
	if before, err := s.erasedBefore(ctx, asked, req.GetValidateOnly()); before != nil || err != nil {
		return before, err
	}
	if strings.TrimSpace(req.GetReason()) == "" {
		return nil, fault.Invalid(fault.Violation{Field: "reason", Description: "is needed: who asked, or which rule? It stays on record, so do not say who told"})
	}
	out := &pb.EraseResponse{Erased: []*pb.ErasedResource{{Name: req.GetName(), What: "who told, the reasons for which that was opened, and messages to and fro", Versions: 1}},
		Notes: []string{"What was told stays. If it says who told, or a photo shows it, erase those words or remove the photo as well."}}
	check := func(ctx context.Context, from reader) error {
		res, err := from.Get(ctx, req.GetName())
		if err != nil {
			return outside(err, req.GetName())
		}
		t := &pb.Teller{}
		if err := record.Read(res.Body, res.Revision, t); err != nil {
			return err
		}
		if !told(t) {
			return fault.State(req.GetName(), "who told this was erased already")
		}
		h, err := s.held(ctx, from)
		if err != nil {
			return err
		}
		return h.refuse(ctx, s, []string{report}, t.GetPerson())
	}
	if req.GetValidateOnly() {
		return out, check(ctx, s.Ledger)
	}
	return s.finish(ctx, asked, req.GetName(), out, func(ctx context.Context, tx ledger.Tx) error {
		if err := check(ctx, tx); err != nil {
			return err
		}
		if err := eraseTeller(ctx, tx, report); err != nil {
			return err
		}
		return s.log(ctx, tx, req.GetReason())
	})
}

// EraseTellers destroys who told the named reports, in the caller's name, but for
// those under a legal hold, which it counts; see services/keepers. It refuses
// while the person is held. What is cut off in between is done by asking again.
func (s *Service) EraseTellers(ctx context.Context, reports []string, person, reason string) (erased, kept int, err error) {
	var some []string
	for first := true; first || len(reports) > 0; first = false {
		some, reports = reports[:min(atOnce, len(reports))], reports[min(atOnce, len(reports)):]
		done, stay := 0, 0
		_, err := s.Ledger.Write(ctx, ledger.Request{Actor: access.From(ctx).Name}, func(ctx context.Context, tx ledger.Tx) error {
			done, stay = 0, 0
			h, err := s.held(ctx, tx)
			if err != nil {
				return err
			}
			if hold := h.person(person); hold != "" {
				return fault.State(hold, "nothing of this person can be taken out while "+hold+" is in force; release the hold first, if whoever asked for it agrees")
			}
			over, err := h.over(s, some)
			if err != nil {
				return err
			}
			for i, report := range some {
				if over[i] != "" {
					stay++
					continue
				}
				if err := eraseTeller(ctx, tx, report); err != nil {
					return err
				}
				done++
			}
			if done == 0 {
				return nil
			}
			return s.log(ctx, tx, reason)
		})
		if err != nil {
			return erased, kept, outside(err, "")
		}
		erased, kept = erased+done, kept+stay
	}
	return erased, kept, nil
}

// log writes down who took something out, and why.
func (s *Service) log(ctx context.Context, tx ledger.Tx, reason string) error {
	run := &pb.RetentionRun{Name: runPrefix + s.NewID(), Principal: access.From(ctx).Name, Reason: reason}
	return put(ctx, tx, run, run.GetName(), record.KindRetentionRun, record.VerbErase, ledger.Absent)
}

// reader is the ledger, or a write under way.
type reader interface {
	lister
	Get(ctx context.Context, name string) (ledger.Resource, error)
}

func index(field string, i int) string { return fmt.Sprintf("%s[%d]", field, i) }
