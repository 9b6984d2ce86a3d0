package search_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/search"
)

// benchReports is how many reports the benchmarks search; set
// FAIRLEAD_BENCH_REPORTS for another number.
func benchReports(b *testing.B) int {
	text := os.Getenv("FAIRLEAD_BENCH_REPORTS")
	if text == "" {
		return 20_000
	}
	n, err := strconv.Atoi(text)
	require.NoError(b, err)
	return n
}

// storyteller makes stories of 40 to 80 words from a vocabulary of 40,000, of
// which few are common and most rare (Zipf, 1.07), as in the measurements that
// the settings of the index come from.
type storyteller struct {
	rnd   *rand.Rand
	zipf  *rand.Zipf
	words []string
}

func newStoryteller() *storyteller {
	rnd := rand.New(rand.NewPCG(1, 2))
	s := &storyteller{rnd: rnd, zipf: rand.NewZipf(rnd, 1.07, 8, 39_999)}
	onsets := []string{"b", "br", "c", "cl", "d", "dr", "f", "fl", "g", "gr", "h", "j", "k", "l", "m", "n", "p", "pl", "r", "s", "st", "t", "tr", "v", "w", "z"}
	vowels := []string{"a", "e", "i", "o", "u", "ai", "oa", "ee"}
	ends := []string{"b", "ck", "d", "g", "l", "m", "n", "nd", "p", "rt", "sk", "t"}
	for n := range 40_000 {
		var w strings.Builder
		for n++; n > 0; n /= 50 {
			w.WriteString(onsets[n%len(onsets)] + vowels[n/3%len(vowels)])
		}
		w.WriteString(ends[len(s.words)%len(ends)])
		s.words = append(s.words, w.String())
	}
	return s
}

func (s *storyteller) story(n int) string {
	words := make([]string, n)
	for i := range words {
		words[i] = s.words[s.zipf.Uint64()]
	}
	return strings.Join(words, " ")
}

func (s *storyteller) report(n int) *pb.Report {
	at := time.Date(2016, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(s.rnd.Int64N(int64(10 * 365 * 24 * time.Hour))))
	return &pb.Report{
		Name: number(n), Kind: pb.ReportKind(1 + s.rnd.IntN(6)), Workplace: fmt.Sprintf("workplaces/site-%d", s.rnd.IntN(64)),
		Narrative: s.story(40 + s.rnd.IntN(41)), Potential: pb.PotentialSeverity(s.rnd.IntN(5)),
		State: pb.ReportState_REPORT_STATE_RECEIVED, OccurTime: timestamppb.New(at), ReceiveTime: timestamppb.New(at.Add(time.Hour)),
	}
}

// fill makes a world with many reports. The index is left to be filled.
func fill(b *testing.B, dir string, reports int) (*world, *storyteller) {
	w := openWorld(b, dir, search.Options{})
	s := newStoryteller()
	sites := []proto.Message{&pb.Workplace{Name: "workplaces/root", Title: "Root", Level: 1, TimeZone: "Australia/Sydney"}}
	for n := range 8 {
		sites = append(sites, &pb.Workplace{Name: fmt.Sprintf("workplaces/area-%d", n), Parent: "workplaces/root", Title: "Area", Level: 2})
	}
	for n := range 64 {
		sites = append(sites, &pb.Workplace{Name: fmt.Sprintf("workplaces/site-%d", n), Parent: fmt.Sprintf("workplaces/area-%d", n/8), Title: "Site", Level: 2})
	}
	w.put(b, sites...)
	for n := 0; n < reports; {
		var batch []proto.Message
		for len(batch) < 2000 && n < reports {
			batch = append(batch, s.report(n))
			n++
		}
		w.put(b, batch...)
	}
	ctx := context.Background()
	require.NoError(b, w.tree.CatchUp(ctx))
	require.NoError(b, w.covers.CatchUp(ctx))
	require.NoError(b, w.facts.CatchUp(ctx))
	return w, s
}

// BenchmarkSearch measures questions one at a time; p50 and p99 are over the
// questions of one kind.
func BenchmarkSearch(b *testing.B) {
	reports := benchReports(b)
	w, s := fill(b, b.TempDir(), reports)
	began := time.Now()
	require.NoError(b, w.index.CatchUp(context.Background()))
	b.Logf("%d reports indexed at %.0f a second", reports, float64(reports)/time.Since(began).Seconds())
	defer w.close(b)
	rnd := rand.New(rand.NewPCG(3, 4))
	// Words as they are asked for: neither the commonest nor the rarest.
	ask := func(n int) []string {
		var out []string
		for range n {
			rank := math.Exp(math.Log(20) + rnd.Float64()*math.Log(1000))
			out = append(out, s.words[int(rank)])
		}
		return out
	}
	year := func() *pb.ReportFilter {
		y := 2016 + rnd.IntN(9)
		return &pb.ReportFilter{StartDate: fmt.Sprintf("%d-03-10", y), EndDate: fmt.Sprintf("%d-03-10", y+1)}
	}
	for _, q := range []struct {
		name string
		req  func() *pb.SearchReportsRequest
	}{
		{"word", func() *pb.SearchReportsRequest { return words(ask(1)[0]) }},
		{"two words", func() *pb.SearchReportsRequest { return words(strings.Join(ask(2), " ")) }},
		{"phrase", func() *pb.SearchReportsRequest {
			return words(`"` + s.words[rnd.IntN(50)] + " " + s.words[rnd.IntN(50)] + `"`)
		}},
		{"word, year, workplace", func() *pb.SearchReportsRequest {
			r := words(ask(1)[0])
			r.Filter = year()
			r.Filter.Workplaces = []string{fmt.Sprintf("workplaces/site-%d", rnd.IntN(64))}
			return r
		}},
		{"word, year, area of nine workplaces", func() *pb.SearchReportsRequest {
			r := words(ask(1)[0])
			r.Filter = year()
			r.Filter.Workplaces = []string{fmt.Sprintf("workplaces/area-%d", rnd.IntN(8))}
			return r
		}},
		{"word, newest first", func() *pb.SearchReportsRequest {
			r := words(ask(1)[0])
			r.Order = pb.SearchOrder_SEARCH_ORDER_NEWEST_FIRST
			return r
		}},
		{"word, potential", func() *pb.SearchReportsRequest {
			r := words(ask(1)[0])
			r.Filter = &pb.ReportFilter{Potentials: []pb.PotentialSeverity{4}}
			return r
		}},
		{"word with counts", func() *pb.SearchReportsRequest {
			r := words(ask(1)[0])
			r.IncludeCounts = true
			return r
		}},
		{"slip of spelling", func() *pb.SearchReportsRequest {
			w := s.words[rnd.IntN(5000)]
			return words(w[:len(w)-2] + "x" + w[len(w)-1:])
		}},
	} {
		b.Run(q.name, func(b *testing.B) {
			var took []time.Duration
			var hits int64
			for b.Loop() {
				req := q.req()
				began := time.Now()
				resp, err := w.search(adviser(), req)
				took = append(took, time.Since(began))
				require.NoError(b, err)
				hits += resp.GetTotalSize()
			}
			slices.Sort(took)
			b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "p50-ms")
			b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "p99-ms")
			b.ReportMetric(float64(hits)/float64(len(took)), "hits")
		})
	}
}

// BenchmarkRebuild measures how fast an index is made from the log.
func BenchmarkRebuild(b *testing.B) {
	reports := benchReports(b)
	w, _ := fill(b, b.TempDir(), reports)
	for b.Loop() {
		require.NoError(b, w.index.Close())
		w.openIndex(b, search.Options{Fresh: true})
		require.NoError(b, w.index.CatchUp(context.Background()))
	}
	b.ReportMetric(float64(reports)*float64(b.N)/b.Elapsed().Seconds(), "reports/s")
	w.close(b)
}

// BenchmarkFiledToFound measures from the answer to a filing to the moment the
// report is found, while nothing else goes on.
func BenchmarkFiledToFound(b *testing.B) {
	w, s := fill(b, b.TempDir(), 1000)
	require.NoError(b, w.index.CatchUp(context.Background()))
	ctx, stop := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	for _, run := range []func(context.Context) error{w.tree.Run, w.covers.Run, w.facts.Run, w.index.Run} {
		wg.Go(func() { _ = run(ctx) })
	}
	var took []time.Duration
	n := 1000
	for b.Loop() {
		seq := w.put(b, s.report(n))
		n++
		began := time.Now()
		require.NoError(b, w.index.Wait(ctx, seq))
		took = append(took, time.Since(began))
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "p50-ms")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "p99-ms")
	stop()
	wg.Wait()
	w.close(b)
}
