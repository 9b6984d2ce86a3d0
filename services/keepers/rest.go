package keepers

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// theHouse is who acts when nobody asked.
const theHouse = "principals/the-house"

// When the house looks again for names that lie open: the day after; soon when
// something went wrong; and a moment after somebody became a keeper, since a
// report that was being filed just then may have seen nobody to close it to.
const (
	every    = 24 * time.Hour
	soon     = 10 * time.Minute
	aMoment  = time.Minute
	filedLog = "names told in confidence that lay open"
)

// CloseOpenNames closes names that were told in confidence before anybody could
// keep them to all keepers in force, and returns how many. It does nothing while
// there is no keeper. Each step stands by itself: whoever is cut off goes on with
// what still lies open.
func (s *Service) CloseOpenNames(ctx context.Context) (done int, err error) {
	for try := 0; try < tries; try++ {
		var n int
		n, err = s.closeOpen(ctx)
		done += n
		if !errors.Is(err, errMoved) {
			break
		}
	}
	return done, err
}

func (s *Service) closeOpen(ctx context.Context) (done int, err error) {
	force, err := s.inForce(ctx, s.Ledger)
	if err != nil || len(force) == 0 {
		return 0, err
	}
	var open []kept
	err = names(ctx, s.Ledger, func(k kept) error {
		is, err := s.open(ctx, k.teller)
		if is {
			open = append(open, k)
		}
		return err
	})
	if err != nil {
		return 0, err
	}
	for some := range slices.Chunk(open, atOnce) {
		var closed []*pb.Teller
		for _, k := range some {
			t, err := closeTo(k.teller, force)
			if err != nil {
				return done, err
			}
			closed = append(closed, t)
		}
		n, err := s.replace(ctx, ledger.Request{Actor: theHouse}, record.VerbClose, force, some, closed)
		if err != nil {
			return done, err
		}
		done += n
	}
	return done, nil
}

// open reports whether a name was told in confidence and lies open.
func (s *Service) open(ctx context.Context, t *pb.Teller) (bool, error) {
	switch {
	case len(t.GetClosed()) > 0:
		return false, nil
	case t.GetEraseDate() != "":
		return true, nil // only what is told in confidence goes on a day
	}
	// Told openly, erased, or told in confidence before there was such a day.
	report, _ := record.ReportOf(t.GetName())
	res, err := s.Ledger.Get(ctx, report)
	if err != nil {
		return false, err
	}
	r := &pb.Report{}
	if err := record.Read(res.Body, res.Revision, r); err != nil {
		return false, err
	}
	if r.GetTellerMode() != pb.TellerMode_TELLER_MODE_CONFIDENTIAL {
		return false, nil
	}
	history, err := s.Ledger.History(ctx, t.GetName())
	if err != nil {
		return false, err
	}
	return history[len(history)-1].Verb != record.VerbErase, nil
}

// CloseDaily does so at once, whenever somebody becomes a keeper, and every day,
// until ctx ends. What goes wrong is logged and tried again.
func (s *Service) CloseDaily(ctx context.Context, log *slog.Logger) {
	for woken := false; ; {
		wait := every
		switch n, err := s.CloseOpenNames(ctx); {
		case ctx.Err() != nil:
			return
		case err != nil:
			wait = soon
			log.ErrorContext(ctx, filedLog, "error", err)
		case woken:
			wait = aMoment
			fallthrough
		default:
			if n > 0 {
				log.InfoContext(ctx, filedLog, "closed", n)
			}
		}
		t := time.NewTimer(wait)
		select {
		case <-t.C:
			woken = false
		case <-s.became:
			t.Stop()
			woken = true
		case <-ctx.Done():
			t.Stop()
			return
		}
	}
}
