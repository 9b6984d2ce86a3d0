package reads

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

const (
	// gather is how long readings wait for others.
	gather = 500 * time.Millisecond
	// together is how long readings of one kind count as one.
	together = 15 * time.Minute
	// atOnce is how many are written in one go.
	atOnce = 500
	// mostWaiting is how many wait in memory while the ledger takes nothing.
	mostWaiting = 100_000
	// last is how long the final write may take.
	last = 5 * time.Second
)

// Recorder gathers readings and writes them down.
type Recorder struct {
	ledger ledger.Ledger
	clock  func() time.Time
	newID  func() string
	log    *slog.Logger

	flushing sync.Mutex

	mu      sync.Mutex
	waiting []*pb.Reading
	seen    map[seen]time.Time
	lost    int
	some    chan struct{}
}

// seen is what makes readings one.
type seen struct {
	who, report, method string
	class               pb.ReadClass
}

// NewRecorder returns a recorder over a ledger. newID makes UUIDs that sort by
// time.
func NewRecorder(l ledger.Ledger, clock func() time.Time, newID func() string, log *slog.Logger) *Recorder {
	return &Recorder{ledger: l, clock: clock, newID: newID, log: log, seen: map[seen]time.Time{}, some: make(chan struct{}, 1)}
}

// Note keeps that somebody was given an answer, if there is anything sensitive
// in it.
func (r *Recorder) Note(who, method string, answer any) {
	if who == "" {
		return
	}
	for _, one := range of(answer) {
		one.Principal, one.Method = who, method
		r.add(one)
	}
}

func (r *Recorder) add(one *pb.Reading) {
	now := r.clock()
	key := seen{one.GetPrincipal(), one.GetReport(), one.GetMethod(), one.GetClass()}
	r.mu.Lock()
	defer r.mu.Unlock()
	if first, ok := r.seen[key]; ok && now.Sub(first) < together && one.GetReport() != "" {
		return
	}
	if len(r.waiting) >= mostWaiting {
		r.lost++
		return
	}
	r.seen[key] = now
	one.ReadTime = timestamppb.New(now.Truncate(time.Second))
	one.Name = "reads/" + r.newID()
	if one.GetReport() != "" {
		one.Name = one.GetReport() + "/" + one.GetName()
	}
	r.waiting = append(r.waiting, one)
	select {
	case r.some <- struct{}{}:
	default:
	}
}

// Run writes readings down until ctx ends, and what is left then.
func (r *Recorder) Run(ctx context.Context) {
	for {
		select {
		case <-r.some:
		case <-ctx.Done():
			final, stop := context.WithTimeout(context.WithoutCancel(ctx), last)
			defer stop()
			if err := r.Flush(final); err != nil {
				r.log.ErrorContext(ctx, "readings could not be written down", "error", err)
			}
			return
		}
		t := time.NewTimer(gather)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
		}
		if ctx.Err() != nil {
			r.wake()
			continue
		}
		if err := r.Flush(ctx); err != nil && ctx.Err() == nil {
			r.log.ErrorContext(ctx, "readings wait to be written down", "error", err)
			r.wake()
		}
	}
}

// wake makes Run look again.
func (r *Recorder) wake() {
	select {
	case r.some <- struct{}{}:
	default:
	}
}

// Flush writes down all that is waiting.
func (r *Recorder) Flush(ctx context.Context) error {
	// One at a time: what is taken from the front of those waiting is what was
	// written.
	r.flushing.Lock()
	defer r.flushing.Unlock()
	for {
		r.mu.Lock()
		batch := r.waiting[:min(len(r.waiting), atOnce)]
		lost := r.lost
		r.lost = 0
		now := r.clock()
		for k, t := range r.seen {
			if now.Sub(t) >= together {
				delete(r.seen, k)
			}
		}
		r.mu.Unlock()
		if lost > 0 {
			r.log.ErrorContext(ctx, "readings were lost: too many waited while nothing could be written", "lost", lost)
		}
		if len(batch) == 0 {
			return nil
		}
		by := map[string][]*pb.Reading{}
		var order []string
		for _, one := range batch {
			if by[one.GetPrincipal()] == nil {
				order = append(order, one.GetPrincipal())
			}
			by[one.GetPrincipal()] = append(by[one.GetPrincipal()], one)
		}
		for _, who := range order {
			if err := r.write(ctx, who, by[who]); err != nil {
				return err
			}
		}
		r.mu.Lock()
		r.waiting = r.waiting[len(batch):]
		r.mu.Unlock()
	}
}

// write writes the readings of one person. Written twice, after an error that
// came too late, they are there once.
func (r *Recorder) write(ctx context.Context, who string, list []*pb.Reading) error {
	_, err := r.ledger.Write(ctx, ledger.Request{Actor: who}, func(ctx context.Context, tx ledger.Tx) error {
		for _, one := range list {
			if _, err := tx.Get(ctx, one.GetName()); err == nil {
				continue
			}
			p, err := record.Put(one, one.GetName(), record.KindRead, record.VerbRead, ledger.Absent)
			if err != nil {
				return err
			}
			if _, err := tx.Put(ctx, p); err != nil {
				return err
			}
		}
		return nil
	})
	return err
}

// of returns what is sensitive in an answer, or in the question for a file.
func of(m any) []*pb.Reading {
	switch m := m.(type) {
	case *pb.Report:
		if hasHealth(m) {
			return []*pb.Reading{{Report: m.GetName(), Class: pb.ReadClass_READ_CLASS_HEALTH}}
		}
	case *pb.WriteReportResponse:
		return of(m.GetReport())
	case *pb.ListReportsResponse:
		return counted(m.GetReports())
	case *pb.ListCodingsResponse:
		for _, c := range m.GetCodings() {
			if report, ok := record.ReportOf(c.GetName()); ok && (c.GetNature() != "" || c.GetBodilyLocation() != "") {
				return []*pb.Reading{{Report: report, Class: pb.ReadClass_READ_CLASS_HEALTH}}
			}
		}
	case *pb.ReadAttachmentRequest:
		if report, ok := record.ReportOf(m.GetName()); ok {
			return []*pb.Reading{{Report: report, Class: pb.ReadClass_READ_CLASS_FILES}}
		}
	case *pb.ListReportMessagesResponse:
		for _, one := range m.GetMessages() {
			if report, ok := record.ReportOf(one.GetName()); ok && one.GetSide() == pb.MessageSide_MESSAGE_SIDE_TELLER && one.GetText() != "" {
				return []*pb.Reading{{Report: report, Class: pb.ReadClass_READ_CLASS_MESSAGES}}
			}
		}
	}
	return nil
}

func counted(all []*pb.Report) []*pb.Reading {
	n := int32(0)
	for _, r := range all {
		if hasHealth(r) {
			n++
		}
	}
	if n == 0 {
		return nil
	}
	return []*pb.Reading{{Class: pb.ReadClass_READ_CLASS_HEALTH, Count: n}}
}

// hasHealth reports whether a report, as it was answered, says what is wrong
// with somebody: more of a harm than what is left of it for those who may not
// know.
func hasHealth(r *pb.Report) bool {
	for _, h := range r.GetHarms() {
		if !proto.Equal(h, &pb.Harm{HarmId: h.GetHarmId(), EmploymentGroup: h.GetEmploymentGroup(), Outcome: h.GetOutcome()}) {
			return true
		}
	}
	return false
}
