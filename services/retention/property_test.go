package retention_test

import (
	"context"
	"fmt"
	"maps"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/facts"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/moment"
	"fairlead/services/record"
	"fairlead/services/retention"
	"fairlead/services/workplace"
)

// flat is a code table without levels.
type flat struct{}

func (flat) AtLevel(_ pb.Facet, code string, _ int32) (string, string) { return code, code }
func (flat) Title(pb.Facet, string) string                             { return "" }

// bare is a ledger with the projections that retention asks.
type bare struct {
	ledger  *sqlite.Store
	tree    *workplace.Tree
	facts   *facts.Facts
	pending []ledger.Put
}

// put takes a resource on; flush writes what was taken on, at once.
func (b *bare) put(t *rapid.T, kind, name string, m proto.Message) {
	p, err := record.Put(m, name, kind, record.VerbUpdate, ledger.Any)
	require.NoError(t, err)
	b.pending = append(b.pending, p)
}

func (b *bare) flush(t *rapid.T) {
	_, err := b.ledger.Write(context.Background(), ledger.Request{Actor: "principals/test"}, func(ctx context.Context, tx ledger.Tx) error {
		for _, p := range b.pending {
			if _, err := tx.Put(ctx, p); err != nil {
				return err
			}
		}
		return nil
	})
	require.NoError(t, err)
	b.pending = nil
}

func (b *bare) catchUp(t *rapid.T) [32]byte {
	b.flush(t)
	require.NoError(t, b.tree.CatchUp(context.Background()))
	require.NoError(t, b.facts.CatchUp(context.Background()))
	_, sum, err := b.facts.Digest()
	require.NoError(t, err)
	return sum
}

func reportName(n int) string { return fmt.Sprintf("reports/%08d-0000-7000-8000-000000000000", n) }

func drawReport(t *rapid.T, n int) *pb.Report {
	day := begin.AddDate(0, 0, -rapid.IntRange(1, 3000).Draw(t, "age"))
	r := &pb.Report{Name: reportName(n), Kind: pb.ReportKind(rapid.IntRange(1, 6).Draw(t, "kind")), Narrative: "words " + secret,
		Workplace: rapid.SampledFrom([]string{"workplaces/north", "workplaces/quarry"}).Draw(t, "place"), Spot: secret, Damage: secret,
		ReceiveTime: timestamppb.New(day.Add(26 * time.Hour)), UpdateTime: timestamppb.New(day.Add(26 * time.Hour)),
		Potential: pb.PotentialSeverity(rapid.IntRange(0, 4).Draw(t, "potential")), TellerMode: pb.TellerMode(rapid.IntRange(1, 3).Draw(t, "mode")),
		State: pb.ReportState(rapid.IntRange(1, 2).Draw(t, "state"))}
	if rapid.Bool().Draw(t, "timed") {
		r.OccurTime = timestamppb.New(day)
	}
	if rapid.Bool().Draw(t, "imported") {
		r.Origin = &pb.Origin{Dataset: "old", SourceId: fmt.Sprint(n), Title: secret, Attributes: map[string]string{"who": secret}}
	}
	for i := range rapid.IntRange(0, 3).Draw(t, "hurt") {
		h := &pb.Harm{HarmId: fmt.Sprint("h", i+1), Person: rapid.SampledFrom([]string{"", "people/a", "people/b"}).Draw(t, "person"), Description: secret,
			EmploymentGroup: pb.EmploymentGroup(rapid.IntRange(0, 4).Draw(t, "group")), AgeBand: 2, Illness: rapid.Bool().Draw(t, "ill"),
			Outcome: pb.OutcomeClass(rapid.IntRange(0, 6).Draw(t, "outcome"))}
		if h.GetOutcome() != 0 {
			h.OutcomeHistory = []*pb.OutcomeChange{{Outcome: h.GetOutcome(), Reason: secret, Recorder: "principals/x"}}
		}
		if rapid.Bool().Draw(t, "away") {
			h.Absences = []*pb.Absence{{FirstDate: "2025-01-02", ReturnDate: "2025-01-09"}}
		}
		r.Harms = append(r.Harms, h)
	}
	return r
}

// TestCountsStay takes things out of random reports under random classes and
// holds. Whatever happens, the figures are those of before, followed, rebuilt
// and as at the moment before; what is held is as it was; the chain verifies;
// and of what is left nothing says what had to go.
func TestCountsStay(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		ctx := access.With(context.Background(), access.Principal{Name: "principals/adviser", Roles: []pb.Role{pb.Role_ROLE_ADVISER}})
		dir, err := os.MkdirTemp("", "retention")
		require.NoError(t, err)
		defer os.RemoveAll(dir)
		l, err := sqlite.Open(ctx, dir, sqlite.Options{})
		require.NoError(t, err)
		defer l.Close()
		b := &bare{ledger: l, tree: workplace.NewTree(l, time.Now)}
		b.facts = facts.New(l, b.tree, flat{})
		b.put(t, record.KindWorkplace, "workplaces/shire", &pb.Workplace{Name: "workplaces/shire", Level: 1, TimeZone: "Australia/Sydney"})
		for _, w := range []string{"workplaces/north", "workplaces/quarry"} {
			b.put(t, record.KindWorkplace, w, &pb.Workplace{Name: w, Parent: "workplaces/shire", Level: 2})
		}
		count := rapid.IntRange(1, 5).Draw(t, "reports")
		for n := range count {
			for range rapid.IntRange(1, 2).Draw(t, "versions") {
				b.put(t, record.KindReport, reportName(n), drawReport(t, n))
				if rapid.Bool().Draw(t, "coded") {
					id := rapid.SampledFrom([]string{"h1", "h2", "report"}).Draw(t, "of")
					c := &pb.Coding{Name: reportName(n) + "/codings/" + id, HarmId: id, Mechanism: "21", Note: secret}
					if id == "report" {
						c.HarmId = ""
					}
					b.put(t, record.KindCoding, c.GetName(), c)
				}
			}
			if rapid.Bool().Draw(t, "told") {
				b.put(t, record.KindTeller, reportName(n)+"/teller", &pb.Teller{Name: reportName(n) + "/teller", DisplayName: name})
				// What is written to and fro is sealed, whatever kind it is of.
				b.put(t, record.KindLegalHold, reportName(n)+"/letters/1", &pb.Teller{DisplayName: "yours, " + name})
			}
		}
		for i := range rapid.IntRange(1, 4).Draw(t, "classes") {
			c := &pb.RetentionClass{Name: fmt.Sprint("retentionClasses/c", i), InForce: true, Months: int32(rapid.IntRange(1, 90).Draw(t, "months")),
				Start: pb.RetentionStart(rapid.IntRange(1, 3).Draw(t, "start")), Step: pb.RetentionStep(rapid.IntRange(1, 4).Draw(t, "step"))}
			if rapid.Bool().Draw(t, "some") {
				c.Filter = &pb.ReportFilter{Kinds: []pb.ReportKind{1, 3, 5}, Workplaces: []string{"workplaces/north"}}
			}
			b.put(t, record.KindRetentionClass, c.GetName(), c)
		}
		heldNames := map[string]bool{}
		if rapid.Bool().Draw(t, "hold") {
			n := reportName(rapid.IntRange(0, count-1).Draw(t, "held"))
			heldNames[n] = true
			b.put(t, record.KindLegalHold, "legalHolds/h", &pb.LegalHold{Name: "legalHolds/h", Reports: []string{n}})
		}
		byPlace := rapid.Bool().Draw(t, "hold of a place")
		if byPlace {
			b.put(t, record.KindLegalHold, "legalHolds/p", &pb.LegalHold{Name: "legalHolds/p", Filter: &pb.ReportFilter{Workplaces: []string{"workplaces/quarry"}}})
		}
		before := b.catchUp(t)
		head, err := l.Head(ctx)
		require.NoError(t, err)
		was := map[string]ledger.Resource{}
		for n := range count {
			res, err := l.Get(ctx, reportName(n))
			require.NoError(t, err)
			r := &pb.Report{}
			require.NoError(t, record.Read(res.Body, res.Revision, r))
			heldNames[reportName(n)] = heldNames[reportName(n)] || byPlace && r.GetWorkplace() == "workplaces/quarry"
		}
		maps.DeleteFunc(heldNames, func(_ string, held bool) bool { return !held })
		for n := range heldNames {
			was[n], err = l.Get(ctx, n)
			require.NoError(t, err)
		}

		s, err := retention.New(retention.Deps{Ledger: l, Tree: b.tree, Facts: b.facts, Clock: func() time.Time { return begin }, NewID: uuid.NewString})
		require.NoError(t, err)
		for range 4 { // tellers, identities and words may come one after the other
			due, err := s.PreviewRetention(ctx, &pb.PreviewRetentionRequest{})
			require.NoError(t, err)
			if !slices.ContainsFunc(due.GetDue(), func(d *pb.DueUnderClass) bool { return d.GetCount() > 0 }) {
				break
			}
			_, err = s.ApplyRetention(ctx, &pb.ApplyRetentionRequest{Etag: due.GetEtag(), Reason: "decided"})
			require.NoError(t, err)
			b.catchUp(t)
		}
		due, err := s.PreviewRetention(ctx, &pb.PreviewRetentionRequest{})
		require.NoError(t, err)
		for _, d := range due.GetDue() {
			require.Zero(t, d.GetCount(), "nothing is due for ever: %v", d)
		}

		require.Equal(t, before, b.catchUp(t), "followed")
		b.facts = facts.New(l, b.tree, flat{})
		require.Equal(t, before, b.catchUp(t), "rebuilt")
		log := moment.NewLog(retention.NewKept(l), moment.Point{Seq: head.Seq})
		b.facts = facts.New(log, b.tree, flat{})
		require.Equal(t, before, b.catchUp(t), "as at the moment before")
		for n, r := range was {
			now, err := l.Get(ctx, n)
			require.NoError(t, err)
			require.Equal(t, r, now, "what is held is as it was")
		}
		report, err := l.Verify(ctx)
		require.NoError(t, err)
		require.Empty(t, report.Problems)
		requireGone(t, ctx, l)
	})
}

// requireGone reads the whole log and wants no version of a report whose words
// were taken out to have any.
func requireGone(t *rapid.T, ctx context.Context, l ledger.Ledger) {
	all, err := l.Changes(ctx, 0, 10_000)
	require.NoError(t, err)
	gone := map[string]bool{}
	for _, c := range all {
		r := &pb.Report{}
		if c.Kind == record.KindReport && proto.Unmarshal(c.Body, r) == nil {
			for _, m := range r.GetRemovals() {
				gone[c.Name] = gone[c.Name] || m.GetPart() == pb.RemovedPart_REMOVED_PART_WORDS
			}
		}
	}
	for _, c := range all {
		if report, ok := record.ReportOf(c.Name); ok && gone[report] {
			require.NotContains(t, string(c.Body), secret, "%s at %d", c.Name, c.Seq)
			require.NotContains(t, string(c.Body), "people/", "%s at %d", c.Name, c.Seq)
			require.NotContains(t, string(c.Body), name)
		}
	}
}
