package soak

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/record"
)

// requireAll asks the whole oracle over one server. The tablets must rest.
func (c *crew) requireAll(t *testing.T, conn *grpc.ClientConn) {
	t.Helper()
	ctx := with(t.Context(), c.token)
	changes := requireChain(t, ctx, conn)
	c.requireLog(t, changes)
	c.requireReports(t, ctx, conn)
	c.requireImports(t, ctx, conn)
	c.requireHours(t, ctx, conn)
	c.requireFound(t, ctx, conn)
	for _, ch := range requireChain(t, ctx, conn)[len(changes):] {
		require.Equal(t, record.KindRead, ch.GetResourceKind(), "looking writes nothing but that somebody looked")
	}
}

// requireChain reads the whole log and requires that it has no gap, that each
// change names the hash before, and that time does not go back.
func requireChain(t *testing.T, ctx context.Context, conn *grpc.ClientConn) []*pb.Change {
	t.Helper()
	var all []*pb.Change
	log := pb.NewChangeServiceClient(conn)
	for empty := 0; ; {
		page, err := log.ListChanges(ctx, &pb.ListChangesRequest{AfterSequenceNumber: int64(len(all)), PageSize: 1000})
		require.NoError(t, err)
		for _, ch := range page.GetChanges() {
			require.EqualValues(t, len(all)+1, ch.GetSequenceNumber(), "the log has a gap")
			if n := len(all); n > 0 {
				require.Equal(t, all[n-1].GetHash(), ch.GetPreviousHash(), "change %d", n+1)
			}
			all = append(all, ch)
		}
		if len(page.GetChanges()) > 0 {
			continue
		}
		// The house writes down who read what, and the head is looked up after the
		// page: what came in between is on the next one.
		if empty++; page.GetHead().GetSequenceNumber() == int64(len(all)) || empty == 20 {
			require.EqualValues(t, len(all), page.GetHead().GetSequenceNumber())
			return all
		}
	}
}

// requireLog requires that the log has every acknowledged change once, at the
// number that was told, and nothing else.
func (c *crew) requireLog(t *testing.T, changes []*pb.Change) {
	t.Helper()
	want := map[string]int{}
	for _, b := range c.tablets {
		for _, p := range b.papers {
			name := p.report.GetName()
			require.Zero(t, want[name], "two deeds made %s", name)
			want[name] = len(p.seqs)
			if p.teller {
				want[name+"/teller"] = 1
			}
			if p.coding != nil {
				want[name+"/codings/"+codingID(p)] = 1
			}
			for _, seq := range p.seqs {
				if seq > 0 {
					require.LessOrEqual(t, seq, int64(len(changes)), "%s was acknowledged at %d, and the log ends before", name, seq)
					at := changes[seq-1].GetResource()
					require.True(t, at == name || at == name+"/teller", "%s was acknowledged at %v, and %d holds %s; its changes are %v", name, p.seqs, seq, at, of(changes, name))
				}
			}
		}
		for _, h := range b.hours {
			want[fmt.Sprintf("%s/hours/%s", h.GetWorkplace(), h.GetMonth())]++
		}
		for _, p := range b.people {
			want[p.GetName()]++
		}
	}
	got := map[string]int{}
	for _, ch := range changes[c.before:] {
		name := ch.GetResource()
		if ch.GetResourceKind() == record.KindRead {
			continue // that somebody looked is written by the house, in its own time
		}
		if ch.GetResourceKind() == "Hours" {
			name, _, _ = strings.Cut(name, ".")
		}
		got[name]++
	}
	for name, n := range want {
		require.Equal(t, n, got[name], "%s: changes in the log, acknowledged %d", name, n)
	}
	for name, n := range got {
		require.NotZero(t, want[name], "the log has %d changes of %s that nobody was told of", n, name)
	}
}

// of picks the changes of one report, for a message.
func of(changes []*pb.Change, report string) (out []string) {
	for _, ch := range changes {
		if strings.HasPrefix(ch.GetResource(), report) {
			out = append(out, fmt.Sprintf("%d %s %s", ch.GetSequenceNumber(), ch.GetVerb(), strings.TrimPrefix(ch.GetResource(), report)))
		}
	}
	return out
}

func codingID(p *paper) string {
	if id := p.coding.GetHarmId(); id != "" {
		return id
	}
	return "report"
}

// requireReports reads every report, its history and its codings.
func (c *crew) requireReports(t *testing.T, ctx context.Context, conn *grpc.ClientConn) {
	t.Helper()
	reports, codings := pb.NewReportServiceClient(conn), pb.NewClassificationServiceClient(conn)
	for _, p := range c.papers() {
		name := p.report.GetName()
		require.NoError(t, same(ctx, reports, p))
		history, err := reports.ListReportHistory(ctx, &pb.ListReportHistoryRequest{Name: name})
		require.NoError(t, err)
		n := len(p.seqs)
		if p.teller {
			n++
		}
		if p.coding != nil {
			n++
		}
		require.Len(t, history.GetEntries(), n, name)
		for _, seq := range p.seqs {
			require.True(t, seq == 0 || slices.ContainsFunc(history.GetEntries(), func(e *pb.HistoryEntry) bool { return e.GetSequenceNumber() == seq }),
				"%s: %d was acknowledged and is not in its history", name, seq)
		}
		if p.coding == nil {
			continue
		}
		got, err := codings.ListCodings(ctx, &pb.ListCodingsRequest{Parent: name})
		require.NoError(t, err)
		require.Len(t, got.GetCodings(), 1, name)
		require.Equal(t, "21", got.GetCodings()[0].GetMechanism(), name)
		if p.coding.GetEtag() != "" {
			require.True(t, proto.Equal(p.coding, got.GetCodings()[0]), "%v\n%v", p.coding, got.GetCodings()[0])
		}
	}
}

// requireImports brings every imported record again: all are there, under the
// names that were told.
func (c *crew) requireImports(t *testing.T, ctx context.Context, conn *grpc.ClientConn) {
	t.Helper()
	var known []*paper
	for _, p := range c.papers() {
		if p.source != "" {
			known = append(known, p)
		}
	}
	for len(known) > 0 {
		some := known[:min(len(known), 200)]
		known = known[len(some):]
		req := &pb.ImportReportsRequest{}
		for _, p := range some {
			req.Records = append(req.Records, &pb.ImportRecord{Report: &pb.Report{Kind: pb.ReportKind_REPORT_KIND_HAZARD,
				Workplace: "workplaces/brindle-range", Narrative: "as before", Origin: &pb.Origin{Dataset: dataset, SourceId: p.source}}})
		}
		got, err := pb.NewReportServiceClient(conn).ImportReports(ctx, req)
		require.NoError(t, err)
		for i, p := range some {
			require.Equal(t, pb.ImportStatus_IMPORT_STATUS_UNCHANGED, got.GetResults()[i].GetStatus(), "record %s", p.source)
			require.Equal(t, p.report.GetName(), got.GetResults()[i].GetReport(), "record %s", p.source)
		}
	}
}

// requireHours reads all hours.
func (c *crew) requireHours(t *testing.T, ctx context.Context, conn *grpc.ClientConn) {
	t.Helper()
	for _, b := range c.tablets {
		got, err := pb.NewHoursServiceClient(conn).ListHours(ctx, &pb.ListHoursRequest{Workplace: b.crew, PageSize: 5000})
		require.NoError(t, err)
		kept := map[string]*pb.Hours{}
		for _, h := range got.GetHours() {
			kept[h.GetMonth()] = h
		}
		require.Len(t, kept, len(b.hours), b.crew)
		for _, h := range b.hours {
			require.InDelta(t, h.GetHoursWorked(), kept[h.GetMonth()].GetHoursWorked(), 0, "%s %s", b.crew, h.GetMonth())
			require.Equal(t, h.GetSource(), kept[h.GetMonth()].GetSource())
		}
		people := 0
		for _, p := range b.people {
			got, err := pb.NewWorkplaceServiceClient(conn).GetPerson(ctx, &pb.GetPersonRequest{Name: p.GetName()})
			require.NoError(t, err)
			require.True(t, proto.Equal(p, got), "%v\n%v", p, got)
			people++
		}
		require.Equal(t, len(b.people), people)
	}
}

// requireFound requires that search, lists and tables count what the tablets
// wrote, and that a sample is found by its own words.
func (c *crew) requireFound(t *testing.T, ctx context.Context, conn *grpc.ClientConn) {
	t.Helper()
	kinds := map[string]int64{}
	total := int64(0)
	for _, p := range c.papers() {
		if !p.voided() {
			kinds[p.report.GetKind().String()]++
			total++
		}
	}
	require.NotZero(t, total)
	at := head(t, ctx, conn)
	f := figuresOf(t, ctx, conn, at)
	require.Equal(t, total, f.list.GetTotalSize(), "reports in the list")
	require.Equal(t, total, f.found.GetTotalSize(), "reports found by the word that all have")
	require.Equal(t, total, f.kinds.GetTotal(), "reports in the table")
	requireKinds(t, kinds, f.kinds.GetRows())
	requireKinds(t, kinds, f.found.GetKinds())
	require.True(t, equalHeads(f.months.GetRows(), f.found.GetMonths()), "months: the table %v, the search %v", f.months.GetRows(), f.found.GetMonths())

	search := pb.NewSearchServiceClient(conn)
	papers := c.papers()
	for i := range min(200, len(papers)) {
		p := papers[i*len(papers)/min(200, len(papers))]
		if p.voided() {
			continue
		}
		word := own(p.report.GetNarrative())
		got, err := search.SearchReports(ctx, &pb.SearchReportsRequest{Words: word, MinSequenceNumber: at})
		require.NoError(t, err)
		require.EqualValues(t, 1, got.GetTotalSize(), "found by its own word: %v", got.GetHits())
		require.Equal(t, p.report.GetName(), got.GetHits()[0].GetReport())
	}
}

// own is the word of a narrative that no other has.
func own(narrative string) string {
	for w := range strings.FieldsSeq(narrative) {
		if strings.HasPrefix(w, stem) && w != stem {
			return w
		}
	}
	return ""
}

// requireKinds compares counts by kind.
func requireKinds(t *testing.T, want map[string]int64, got []*pb.TableHead) {
	t.Helper()
	counted := map[string]int64{}
	for _, h := range got {
		if h.GetTotal() > 0 {
			counted[h.GetKey()] = h.GetTotal()
		}
	}
	require.Equal(t, len(want), len(counted), "%v\n%v", want, counted)
	for key, n := range want {
		require.Equal(t, n, counted[key], "%s in %v", key, counted)
	}
}
