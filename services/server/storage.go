package server

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync/atomic"
	"time"

	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"fairlead/services/ledger"
	"fairlead/services/ledger/postgres"
	"fairlead/services/ledger/sqlite"
)

// openLedger opens the ledger where the configuration says: in the data folder,
// or in a PostgreSQL database that other servers share.
func openLedger(ctx context.Context, cfg Config) (ledger.Ledger, error) {
	secret, err := ledger.OpenSecret(cfg.path(SealingFolder))
	if err != nil {
		return nil, fmt.Errorf("server: %w", err)
	}
	if cfg.Database == "" {
		l, err := sqlite.Open(ctx, cfg.Data, sqlite.Options{Clock: cfg.Clock, Log: cfg.Log, Secret: secret})
		if err != nil {
			return nil, fmt.Errorf("server: open the ledger in %s: %w", cfg.Data, err)
		}
		return l, nil
	}
	// What is left in the folder is this server's own, and no other's.
	held, err := sqlite.Hold(cfg.Data)
	if err != nil {
		return nil, err
	}
	l, err := postgres.Open(ctx, cfg.Database, postgres.Options{Clock: cfg.Clock, Log: cfg.Log, Secret: secret})
	if err != nil {
		return nil, errors.Join(fmt.Errorf("server: open the ledger in %s: %w", postgres.Where(cfg.Database), err), held.Close())
	}
	return heldLedger{l, held}, nil
}

// heldLedger is a ledger elsewhere and the folder that goes with it.
type heldLedger struct {
	ledger.Ledger
	folder io.Closer
}

// Close implements ledger.Ledger.
func (h heldLedger) Close() error { return errors.Join(h.Ledger.Close(), h.folder.Close()) }

// lookEvery is how often a server looks whether its database answers, and
// lookFor how long it waits for the answer.
const (
	lookEvery = time.Second
	lookFor   = 3 * time.Second
)

// presence says whether the ledger answers.
type presence struct{ away atomic.Bool }

// watchDatabase tells whoever balances load whether the database answers. While
// it does not, figures in memory are still given, and what must be written is
// refused with when to come again.
func (s *Server) watchDatabase(ctx context.Context) {
	if s.cfg.Database == "" {
		return
	}
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
		if away := !s.answers(ctx); away != s.present.away.Swap(away) && ctx.Err() == nil {
			status := healthpb.HealthCheckResponse_SERVING
			if away {
				status = healthpb.HealthCheckResponse_NOT_SERVING
				s.cfg.Log.ErrorContext(ctx, "the database does not answer; not ready")
			} else {
				s.cfg.Log.InfoContext(ctx, "the database answers again; ready")
			}
			s.health.SetServingStatus("", status)
			for name := range s.grpc.GetServiceInfo() {
				s.health.SetServingStatus(name, status)
			}
		}
	}
}

func (s *Server) answers(ctx context.Context) bool {
	ctx, cancel := context.WithTimeout(ctx, lookFor)
	defer cancel()
	_, err := s.ledger.Head(ctx)
	return err == nil
}
