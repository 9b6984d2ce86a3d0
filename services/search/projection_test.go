package search_test

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/search"
)

// story is a small report.
func story(n int, text string) *pb.Report {
	return &pb.Report{
		Name: number(n), Kind: pb.ReportKind_REPORT_KIND_NEAR_MISS, Workplace: "workplaces/northside", Narrative: text,
		State: pb.ReportState_REPORT_STATE_RECEIVED, OccurTime: timestamppb.New(time.Date(2026, 3, 4, 1, 0, 0, 0, time.UTC)),
		ReceiveTime: timestamppb.New(time.Date(2026, 3, 4, 2, 0, 0, 0, time.UTC)),
	}
}

// empty is a world with workplaces and no report.
func empty(t *testing.T) *world {
	t.Helper()
	w := openWorld(t, t.TempDir(), search.Options{})
	t.Cleanup(func() { w.close(t) })
	w.put(t, &pb.Workplace{Name: "workplaces/brindle-range", Title: "Shire", Level: 1, TimeZone: "Australia/Sydney"},
		&pb.Workplace{Name: "workplaces/northside", Parent: "workplaces/brindle-range", Title: "Northside", Level: 2})
	w.catchUp(t)
	return w
}

// run starts the projections and stops them at the end of the test.
func (w *world) run(t *testing.T) {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 4)
	for _, follow := range []func(context.Context) error{w.tree.Run, w.covers.Run, w.facts.Run, w.index.Run} {
		go func() { done <- follow(ctx) }()
	}
	t.Cleanup(func() {
		stop()
		for range 4 {
			require.ErrorIs(t, <-done, context.Canceled)
		}
	})
}

func TestReadYourOwnWrite(t *testing.T) {
	t.Parallel()
	w := empty(t)
	w.run(t)
	for n := range 20 {
		r := story(n, fmt.Sprintf("Kerb stone %d rolled onto the road.", 1000+n))
		seq := w.put(t, r)
		req := words(fmt.Sprint(1000 + n))
		req.MinSequenceNumber = seq
		resp, err := w.search(adviser(), req)
		require.NoError(t, err)
		require.Len(t, resp.GetHits(), 1)
		require.GreaterOrEqual(t, resp.GetSequenceNumber(), seq)

		r.Narrative = fmt.Sprintf("Kerb stone %d stayed where it was.", 5000+n)
		req.MinSequenceNumber = w.put(t, r)
		require.Empty(t, w.find(t, adviser(), req), "the words of before the change find nothing")
		req.Words = fmt.Sprint(5000 + n)
		require.Equal(t, []int{n}, w.find(t, adviser(), req))
	}
	// A workplace that was added a moment ago can be asked for.
	req := words("kerb")
	req.Filter = &pb.ReportFilter{Workplaces: []string{"workplaces/yard"}}
	req.MinSequenceNumber = w.put(t, &pb.Workplace{Name: "workplaces/yard", Parent: "workplaces/northside", Title: "Yard", Level: 3})
	require.Empty(t, w.find(t, adviser(), req))
}

// Hundreds of words that are not there are answered, and not looked up one by
// one for slips.
func TestManyWordsThatAreNotThere(t *testing.T) {
	t.Parallel()
	w := shire(t)
	resp, err := w.search(adviser(), words(strings.Repeat("laddre spoter ", 28)))
	require.NoError(t, err)
	require.Zero(t, resp.GetTotalSize())
	require.NotEmpty(t, resp.GetNotes())
}

func TestSequenceNumberThatIsNotReached(t *testing.T) {
	t.Parallel()
	w := empty(t)
	ctx, stop := context.WithTimeout(adviser(), 20*time.Millisecond)
	defer stop()
	req := words("kerb")
	req.MinSequenceNumber = 1000
	_, err := w.search(ctx, req)
	require.Equal(t, codes.Unavailable, status.Code(err), "%v", err)
}

func TestNotReadyBeforeCatchUp(t *testing.T) {
	t.Parallel()
	w := openWorld(t, t.TempDir(), search.Options{})
	_, err := w.search(adviser(), words("kerb"))
	require.Equal(t, codes.Unavailable, status.Code(err), "an index that has not caught up could leave out reports")
	w.close(t)
	_, err = w.search(adviser(), words("kerb"))
	require.Equal(t, codes.Unavailable, status.Code(err))
}

func TestReopen(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	w := openWorld(t, dir, search.Options{})
	w.load(t)
	w.catchUp(t)
	before := w.index.Seq()
	w.close(t)

	var log bytes.Buffer
	w = openWorld(t, dir, search.Options{Log: slog.New(slog.NewTextHandler(&log, nil))})
	w.put(t, story(90, "A trestle gave way."))
	w.catchUp(t)
	require.Equal(t, before+1, w.index.Seq())
	require.Empty(t, log.String(), "the index is taken up where it was")
	require.ElementsMatch(t, []int{24, 90}, w.find(t, adviser(), words("trestle")))
	w.close(t)
}

// damage is something that can befall an index between two starts.
var damage = map[string]func(t *testing.T, dir string){
	"gone": func(t *testing.T, dir string) { require.NoError(t, os.RemoveAll(filepath.Join(dir, "search"))) },
	"no description": func(t *testing.T, dir string) {
		require.NoError(t, os.Remove(filepath.Join(dir, "search", "index", "index_meta.json")))
	},
	"description is nonsense": func(t *testing.T, dir string) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "search", "index", "index_meta.json"), []byte("{"), 0o600))
	},
	"segments cut short": func(t *testing.T, dir string) {
		for _, path := range segments(t, dir) {
			require.NoError(t, os.Truncate(path, 20))
		}
	},
	"segments gone": func(t *testing.T, dir string) {
		for _, path := range segments(t, dir) {
			require.NoError(t, os.Remove(path))
		}
	},
	"segments overwritten": func(t *testing.T, dir string) {
		for _, path := range segments(t, dir) {
			info, err := os.Stat(path)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(path, bytes.Repeat([]byte{0xA5}, int(info.Size())), 0o600))
		}
	},
	"root is nonsense": func(t *testing.T, dir string) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "search", "index", "store", "root.bolt"), bytes.Repeat([]byte("x"), 65536), 0o600))
	},
	"broke in use": func(t *testing.T, dir string) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "search", "damaged"), nil, 0o600))
	},
}

func segments(t *testing.T, dir string) []string {
	paths, err := filepath.Glob(filepath.Join(dir, "search", "index", "store", "*.zap"))
	require.NoError(t, err)
	require.NotEmpty(t, paths)
	return paths
}

func TestDamagedIndexIsMadeAnew(t *testing.T) {
	t.Parallel()
	for name, harm := range damage {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			w := openWorld(t, dir, search.Options{})
			w.load(t)
			w.catchUp(t)
			w.close(t)
			harm(t, dir)

			// Whether the index is thrown away or the library goes back to an
			// older state of it: what is found is right, at this start and
			// at the next.
			for range 3 {
				w = openWorld(t, dir, search.Options{})
				w.catchUp(t)
				require.ElementsMatch(t, []int{1, 2, 24}, w.find(t, adviser(), words("spotter")))
				problems, err := w.index.Check(context.Background())
				require.NoError(t, err)
				require.Empty(t, problems)
				w.close(t)
			}
		})
	}
}

func TestIndexOfAnotherLog(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	w := openWorld(t, dir, search.Options{})
	w.load(t)
	w.catchUp(t)
	w.close(t)
	for _, c := range []struct {
		name    string
		reports int
	}{{"a shorter log", 1}, {"a longer log with other changes", 80}} {
		require.NoError(t, os.Remove(filepath.Join(dir, "ledger.db")), c.name)
		w = openWorld(t, dir, search.Options{})
		w.put(t, &pb.Workplace{Name: "workplaces/northside", Title: "Northside", Level: 1, TimeZone: "Australia/Sydney"})
		for n := range c.reports {
			w.put(t, story(n, "A kerb stone rolled."))
		}
		w.catchUp(t)
		require.Empty(t, w.find(t, adviser(), words("spotter")), c.name)
		resp, err := w.search(adviser(), words("kerb"))
		require.NoError(t, err)
		require.EqualValues(t, c.reports, resp.GetTotalSize(), c.name)
		w.close(t)
	}
}

func TestFreshThrowsAway(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	w := openWorld(t, dir, search.Options{})
	w.load(t)
	w.catchUp(t)
	w.close(t)
	w = openWorld(t, dir, search.Options{Fresh: true})
	require.Zero(t, w.index.Seq())
	w.catchUp(t)
	require.ElementsMatch(t, []int{1, 2, 24}, w.find(t, adviser(), words("spotter")))
	w.close(t)
}

func TestIndexInUse(t *testing.T) {
	t.Parallel()
	w := shire(t)
	_, err := search.Open(filepath.Join(w.dir, "search"), w.ledger, w.tree, search.Options{})
	require.ErrorIs(t, err, search.ErrInUse, "an index in use is never thrown away")
	require.ElementsMatch(t, []int{1, 2, 24}, w.find(t, adviser(), words("spotter")))
}

// More than one round, so that two batches go in side by side.
func TestManyReportsInOneRound(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	w := openWorld(t, dir, search.Options{})
	w.put(t, &pb.Workplace{Name: "workplaces/northside", Title: "Northside", Level: 1, TimeZone: "Australia/Sydney"})
	const reports = 2300
	for n := range reports {
		if n%100 == 0 {
			w.put(t, story(n, "A kerb stone rolled."), story(n, "A kerb stone rolled twice."))
			continue
		}
		w.put(t, story(n, "A kerb stone rolled."))
	}
	w.catchUp(t)
	resp, err := w.search(adviser(), words("kerb"))
	require.NoError(t, err)
	require.EqualValues(t, reports, resp.GetTotalSize())
	resp, err = w.search(adviser(), words("twice"))
	require.NoError(t, err)
	require.EqualValues(t, reports/100, resp.GetTotalSize())
	problems, err := w.index.Check(context.Background())
	require.NoError(t, err)
	require.Empty(t, problems)
	w.close(t)
}

// The day of a report is told by the clock of its workplace; when that clock is
// put right, or the workplace moves below another, the days move with it.
func TestTimeZoneOfAWorkplaceChanges(t *testing.T) {
	t.Parallel()
	w := empty(t)
	crew := &pb.Workplace{Name: "workplaces/crew", Parent: "workplaces/northside", Title: "Crew", Level: 4}
	far := &pb.Workplace{Name: "workplaces/far", Parent: "workplaces/brindle-range", Title: "Far yard", Level: 2, TimeZone: "America/Denver"}
	r := story(1, "A kerb stone rolled.")
	r.Workplace = crew.GetName()
	r.OccurTime = timestamppb.New(time.Date(2026, 3, 31, 14, 0, 0, 0, time.UTC)) // 1 April in Sydney
	w.put(t, crew, far, r)
	w.catchUp(t)
	inApril := words("kerb")
	inApril.Filter = &pb.ReportFilter{StartDate: "2026-04-01", EndDate: "2026-05-01"}
	require.Len(t, w.find(t, adviser(), inApril), 1)

	crew.TimeZone = "Europe/London" // 15:00 on 31 March
	w.put(t, crew)
	w.catchUp(t)
	require.Empty(t, w.find(t, adviser(), inApril))
	crew.TimeZone = ""
	w.put(t, crew)
	w.catchUp(t)
	require.Len(t, w.find(t, adviser(), inApril), 1)
	crew.Parent = far.GetName()
	w.put(t, crew)
	w.catchUp(t)
	require.Empty(t, w.find(t, adviser(), inApril))

	// What a supervisor may see moves at once with the tree.
	supervisor := as(pb.Role_ROLE_SUPERVISOR, "workplaces/northside")
	require.Empty(t, w.find(t, supervisor, words("kerb")))
	crew.Parent = "workplaces/northside"
	w.put(t, crew)
	require.NoError(t, w.tree.CatchUp(context.Background()))
	require.Len(t, w.find(t, supervisor, words("kerb")), 1)
}

func TestReportThatCannotBeReadStopsNothing(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	l, err := sqlite.Open(context.Background(), dir, sqlite.Options{})
	require.NoError(t, err)
	require.NoError(t, l.Close())
	var log bytes.Buffer
	w := openWorld(t, dir, search.Options{Log: slog.New(slog.NewTextHandler(&log, nil))})
	w.put(t, &pb.Workplace{Name: "workplaces/northside", Title: "Northside", Level: 1, TimeZone: "Australia/Sydney"})
	broken := story(1, "secret words of a teller")
	w.putRaw(t, broken.GetName(), []byte("secret words of a teller"))
	w.put(t, story(2, "A kerb stone rolled."))
	require.NoError(t, w.tree.CatchUp(context.Background()))
	require.NoError(t, w.covers.CatchUp(context.Background()))
	require.NoError(t, w.index.CatchUp(context.Background()))
	require.Equal(t, []int{2}, w.find(t, adviser(), words("kerb")))
	require.Contains(t, log.String(), "cannot be read")
	require.Contains(t, log.String(), broken.GetName())
	require.NotContains(t, log.String(), "secret")
	problems, err := w.index.Check(context.Background())
	require.NoError(t, err)
	require.Len(t, problems, 1)
	require.Contains(t, problems[0], broken.GetName())
	w.close(t)
}

// More hits than are ordered one by one: the newest months are read alone, and
// no page may tell the difference, at any time zone and month's end.
func TestNewestOfMany(t *testing.T) {
	t.Parallel()
	w := openWorld(t, t.TempDir(), search.Options{})
	w.put(t, &pb.Workplace{Name: "workplaces/early", Title: "Early yard", Level: 1, TimeZone: "Pacific/Kiritimati"},
		&pb.Workplace{Name: "workplaces/late", Parent: "workplaces/early", Title: "Late yard", Level: 2, TimeZone: "Pacific/Pago_Pago"})
	rnd := rand.New(rand.NewPCG(5, 6))
	type filed struct {
		name string
		when int64
	}
	var all []filed
	var batch []proto.Message
	for n := range 2600 {
		r := story(n, "A kerb stone rolled.")
		r.Workplace = []string{"workplaces/early", "workplaces/late"}[rnd.IntN(2)]
		// Most near the end of a month, some at the same moment.
		at := time.Date(2024+rnd.IntN(2), time.Month(1+rnd.IntN(12)), 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(rnd.IntN(60)-30) * time.Hour)
		r.OccurTime = timestamppb.New(at)
		if rnd.IntN(5) == 0 {
			r.OccurTime, r.ReceiveTime = nil, timestamppb.New(at)
		}
		all = append(all, filed{r.GetName(), at.Unix()})
		batch = append(batch, r)
	}
	w.put(t, batch...)
	w.catchUp(t)
	slices.SortFunc(all, func(a, b filed) int {
		return cmp.Or(cmp.Compare(b.when, a.when), strings.Compare(b.name, a.name))
	})
	req := &pb.SearchReportsRequest{Words: "kerb", PageSize: 97, Order: pb.SearchOrder_SEARCH_ORDER_NEWEST_FIRST}
	var got []string
	for {
		resp, err := w.search(adviser(), req)
		require.NoError(t, err)
		require.EqualValues(t, len(all), resp.GetTotalSize())
		for _, h := range resp.GetHits() {
			got = append(got, h.GetReport())
		}
		if req.PageToken = resp.GetNextPageToken(); req.PageToken == "" {
			break
		}
	}
	require.Len(t, got, len(all))
	for i, f := range all {
		require.Equal(t, f.name, got[i], "at %d", i)
	}
	w.close(t)
}
