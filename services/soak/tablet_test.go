package soak

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

// tally counts what the clients went through.
type tally struct {
	// acked writes were answered. unheard calls ended without an answer;
	// resent were answered when they came again, and stored of these had been
	// written before the server died. onPurpose were sent again although they
	// had been answered; refused met a disk that takes nothing; lookedBack
	// reports were read again in another life of the server.
	acked, unheard, resent, stored, onPurpose, refused, lookedBack atomic.Int64
}

// String says the numbers.
func (t *tally) String() string {
	return fmt.Sprintf("%d writes acknowledged, %d calls unheard, %d answered when sent again (%d of them had been stored), %d replayed on purpose, %d refused, %d read back",
		t.acked.Load(), t.unheard.Load(), t.resent.Load(), t.stored.Load(), t.onPurpose.Load(), t.refused.Load(), t.lookedBack.Load())
}

// tablet is one client. It does one thing at a time, and so knows exactly what
// must be there: what was answered, and perhaps the one thing that was not.
type tablet struct {
	n     int
	token string
	crew  string
	doors *doors
	tally *tally
	rng   *rand.Rand
	rest  time.Duration // between deeds, at most

	life    int
	words   int
	papers  []*paper
	touched map[*paper]bool // since the last look back
	old     []*deed         // a few that were answered, to be replayed
	hours   []*pb.Hours
	people  []*pb.Person
	pending *deed
	// patient tablets take a full disk as a reason to wait.
	patient bool
	// onRefusal is told of every refusal of a full or read-only disk.
	onRefusal func(error)
}

// work does deeds until stop is closed; the last one is finished first, so ctx
// must last until a server is up.
func (b *tablet) work(ctx context.Context, stop <-chan struct{}) error {
	for {
		select {
		case <-stop:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(time.Duration(b.rng.Int64N(int64(b.rest) + 1))):
		}
		d := b.choose()
		if err := b.settle(ctx, d); err != nil {
			return fmt.Errorf("tablet %d: %s: %w", b.n, d.what, err)
		}
	}
}

// settle sends a deed until it is answered.
func (b *tablet) settle(ctx context.Context, d *deed) error {
	b.pending = d
	for tries := 0; ; tries++ {
		at, err := b.doors.get(ctx, b.rng.IntN(8))
		if err != nil {
			return err
		}
		if at.life != b.life {
			if err := b.lookBack(ctx, at); unheard(err) {
				continue
			} else if err != nil {
				return fmt.Errorf("look back: %w", err)
			}
		}
		call, cancel := context.WithTimeout(with(ctx, b.token), 20*time.Second)
		answer, err := d.send(call, at.conn)
		cancel()
		switch {
		case err == nil:
			return b.heard(d, answer, tries > 0, at.head)
		case unheard(err):
			if d.answer == nil {
				b.tally.unheard.Add(1)
			}
		case b.patient && status.Code(err) == codes.ResourceExhausted:
			b.tally.refused.Add(1)
			b.onRefusal(err)
		default:
			return err
		}
		select {
		case <-time.After(time.Duration(5+b.rng.IntN(20)) * time.Millisecond):
		case <-ctx.Done():
			return fmt.Errorf("%w; the last answer was: %w", ctx.Err(), err)
		}
	}
}

// unheard reports whether nobody can say what became of a call.
func unheard(err error) bool {
	switch status.Code(err) {
	case codes.Unavailable, codes.Canceled, codes.DeadlineExceeded:
		return true
	}
	return false
}

// heard takes an answer down.
func (b *tablet) heard(d *deed, answer proto.Message, resent bool, head int64) error {
	b.pending = nil
	if d.answer != nil {
		b.tally.onPurpose.Add(1)
		return d.again(d.answer, answer)
	}
	if err := d.learn(answer); err != nil {
		return err
	}
	d.answer = answer
	b.tally.acked.Add(1)
	if n, ok := answer.(interface{ GetSequenceNumber() int64 }); resent && ok {
		b.tally.resent.Add(1)
		if n.GetSequenceNumber() <= head {
			b.tally.stored.Add(1)
		}
	}
	if d.about != nil {
		b.touched[d.about] = true
	}
	if len(b.old) < 40 {
		b.old = append(b.old, d)
	} else {
		b.old[b.rng.IntN(len(b.old))] = d
	}
	return nil
}

// lookBack reads, in a server's new life, what was answered in the one before.
func (b *tablet) lookBack(ctx context.Context, at door) error {
	reports := pb.NewReportServiceClient(at.conn)
	for p := range b.touched {
		if b.pending == nil || b.pending.about != p {
			if err := same(with(ctx, b.token), reports, p); err != nil {
				return err
			}
			b.tally.lookedBack.Add(1)
		}
		delete(b.touched, p)
	}
	b.life = at.life
	return nil
}

// same requires that a report is read as it was last answered.
func same(ctx context.Context, reports pb.ReportServiceClient, p *paper) error {
	got, err := reports.GetReport(ctx, &pb.GetReportRequest{Name: p.report.GetName(), MinSequenceNumber: p.seqs[len(p.seqs)-1]})
	if err != nil {
		if unheard(err) {
			return err
		}
		return fmt.Errorf("%s was acknowledged at %v: %w", p.report.GetName(), p.seqs, err)
	}
	if p.seqs[0] == 0 && len(p.seqs) == 1 {
		// Of an imported record only the name was told.
		if got.GetOrigin().GetSourceId() != p.source {
			return fmt.Errorf("%s was told to be record %s and is %s", p.report.GetName(), p.source, got.GetOrigin().GetSourceId())
		}
		p.report = got
		return nil
	}
	if !proto.Equal(got, p.report) {
		return fmt.Errorf("%s is read as %v, it was answered %v", p.report.GetName(), got, p.report)
	}
	return nil
}

// choose makes the next deed, or takes an old one to be replayed.
func (b *tablet) choose() *deed {
	if len(b.old) > 0 && b.rng.IntN(100) < 8 {
		return b.old[b.rng.IntN(len(b.old))]
	}
	p := b.pick()
	hurt := p != nil && len(p.report.GetHarms()) > 0
	switch n := b.rng.IntN(100); {
	case p == nil, n < 40:
		return b.file()
	case n < 55:
		return b.amend(p)
	case n < 62 && hurt && len(p.report.GetHarms()) < 40:
		return b.addHarm(p)
	case n < 69 && hurt && len(p.report.GetHarms()[0].GetOutcomeHistory()) < 90:
		return b.recordOutcome(p)
	case n < 74 && hurt && p.absences < 10:
		return b.recordAbsence(p)
	case n < 82 && p.coding == nil:
		return b.code(p)
	case n < 84:
		return b.void(p)
	case n < 91:
		return b.importReports()
	case n < 96:
		return b.importHours()
	case n < 98:
		return b.addPerson()
	}
	return b.file()
}

// pick returns a standing report, mostly a young one, or nil.
func (b *tablet) pick() *paper {
	for range 4 {
		if n := len(b.papers); n > 0 {
			p := b.papers[n-1-b.rng.IntN(min(n, 30))]
			if !p.voided() && p.report.GetEtag() != "" {
				return p
			}
		}
	}
	return nil
}

var errOther = errors.New("an answer of another kind")

// call adapts a method of a client to a deed.
func call[Req, Resp proto.Message](method func(grpc.ClientConnInterface) func(context.Context, Req, ...grpc.CallOption) (Resp, error), req Req) func(context.Context, grpc.ClientConnInterface) (proto.Message, error) {
	return func(ctx context.Context, conn grpc.ClientConnInterface) (proto.Message, error) {
		return method(conn)(ctx, req)
	}
}
