package retention

import (
	"context"
	"log/slog"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/harm"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// theHouse is who acts when nobody asked: what was promised on the receipt falls
// due.
const theHouse = "principals/the-house"

// How often the house looks for what is due, and how soon again when something
// went wrong.
const (
	every = 24 * time.Hour
	soon  = time.Hour
)

// EraseDueTellers destroys the names of those who told in confidence whose
// call-back window is over, and returns how many. A legal hold keeps a name; it
// goes when the hold is released.
func (s *Service) EraseDueTellers(ctx context.Context) (int, error) {
	today := harm.DayOf(s.Clock(), s.Tree.Location(s.Tree.Root())).String()
	var due, people []string
	err := list(ctx, s.Ledger, record.KindTeller, "reports/", func(res ledger.Resource) error {
		t := &pb.Teller{}
		if len(res.Body) == 0 {
			return nil
		}
		if err := record.Read(res.Body, res.Revision, t); err != nil {
			return err
		}
		if t.GetEraseDate() != "" && t.GetEraseDate() <= today {
			due, people = append(due, reportOfTeller(res.Name)), append(people, t.GetPerson())
		}
		return nil
	})
	if err != nil || len(due) == 0 {
		return 0, err
	}
	// A hold by a filter keeps what matches as it stands now, not as it stood
	// when the figures last looked.
	head, err := s.Ledger.Head(ctx)
	if err == nil {
		err = s.Facts.Wait(ctx, head.Seq)
	}
	done := 0
	for at := 0; err == nil && at < len(due); at += atOnce {
		some, who := due[at:min(at+atOnce, len(due))], people[at:min(at+atOnce, len(due))]
		n := 0
		_, err = s.Ledger.Write(ctx, ledger.Request{Actor: theHouse}, func(ctx context.Context, tx ledger.Tx) error {
			n = 0
			h, err := s.held(ctx, tx)
			if err != nil {
				return err
			}
			over, err := h.over(s, some)
			if err != nil {
				return err
			}
			for i, report := range some {
				if over[i] != "" || h.people[who[i]] != "" {
					continue
				}
				if err := eraseTeller(ctx, tx, report); err != nil {
					return err
				}
				n++
			}
			return nil
		})
		done += n
	}
	return done, err
}

// EraseDaily does so at once and then every day, until ctx ends. What goes wrong
// is logged and tried again an hour later.
func (s *Service) EraseDaily(ctx context.Context, log *slog.Logger) {
	for {
		wait := every
		switch n, err := s.EraseDueTellers(ctx); {
		case ctx.Err() != nil:
			return
		case err != nil:
			wait = soon
			log.ErrorContext(ctx, "names whose time is over", "error", err)
		case n > 0:
			log.InfoContext(ctx, "names whose time is over", "destroyed", n)
		}
		t := time.NewTimer(wait)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return
		}
	}
}
