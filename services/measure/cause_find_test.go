package measure_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

// shuffled gives the reports codes that have nothing to do with each other, and
// makes the pairs of glue go together.
func (w *world) shuffled(t *testing.T, r *rand.Rand, reports []string, codes int, glue ...[2]int) {
	t.Helper()
	agencies := make([]int, len(reports))
	for i := range agencies {
		agencies[i] = i % codes
	}
	r.Shuffle(len(agencies), func(i, j int) { agencies[i], agencies[j] = agencies[j], agencies[i] })
	var all []proto.Message
	for i, name := range reports {
		mechanism, agency := (i/7)%codes, agencies[i]
		for _, g := range glue {
			if mechanism == g[0] && r.Float64() < 0.3 {
				agency = g[1]
			}
		}
		all = append(all, codingOf(name, story{mechanism: fmt.Sprint(mechanism), agency: fmt.Sprint(agency)}))
	}
	w.put(t, all...)
}

// TestShuffle: on codes dealt at random the promised share of false finds holds,
// where a reader who looks at each pair by itself is fooled nearly every time;
// and with true pairs among them, false ones stay within the promise.
func TestShuffle(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	reports := w.tell(t, times(300, story{})...)
	r := rand.New(rand.NewPCG(20, 26))
	const trials, rate = 20, 0.2
	fooled, naive := 0, 0
	for range trials {
		w.shuffled(t, r, reports, 9)
		c := w.cross(t, adviser, &pb.CrossCausesRequest{Rows: byMechanism, Columns: byAgency, FalseDiscoveryRate: rate, MinSupport: 1, PairLimit: 200})
		require.EqualValues(t, 81, c.GetTried())
		if c.GetStanding()+c.GetApart() > 0 {
			fooled++
		}
		for _, p := range c.GetPairs() {
			if p.GetPValue() < 0.05 {
				naive++
				break
			}
		}
	}
	t.Logf("pure noise: %d of %d tables show something at a rate of %g; pair by pair %d do", fooled, trials, rate, naive)
	require.LessOrEqual(t, float64(fooled), trials*rate+3*math.Sqrt(trials*rate*(1-rate)))
	require.GreaterOrEqual(t, naive, trials*8/10)

	glue := [][2]int{{1, 4}, {3, 7}, {6, 2}}
	share, found := 0.0, 0
	for range trials {
		w.shuffled(t, r, reports, 9, glue...)
		c := w.cross(t, adviser, &pb.CrossCausesRequest{Rows: byMechanism, Columns: byAgency, FalseDiscoveryRate: rate})
		wrong := 0
		for _, p := range c.GetPairs() {
			if !p.GetStands() {
				continue
			}
			was := [2]string{c.GetRowHeads()[p.GetRow()].GetKey(), c.GetColumnHeads()[p.GetColumn()].GetKey()}
			true_ := false
			for _, g := range glue {
				true_ = true_ || was == [2]string{fmt.Sprint(g[0]), fmt.Sprint(g[1])}
			}
			if true_ {
				found++
			} else {
				wrong++
			}
		}
		if c.GetStanding() > 0 {
			share += float64(wrong) / float64(c.GetStanding())
		}
	}
	t.Logf("with three true pairs: %.1f %% of what stands is false (promised %g %%); %.0f %% of the true ones found", 100*share/trials, 100*rate, 100*float64(found)/(3*trials))
	require.Less(t, share/trials, rate)
	require.Greater(t, found, 3*trials*8/10)
}

// crews are eight places, and mechanisms four kinds of thing, that the histories
// below are made of.
const crews, mechanisms = 8, 4

func crew(i int) string { return fmt.Sprint("workplaces/crew-", i) }

// history files reports of a flat world: at every crew, of every mechanism, over
// 24 months up to 2026-06, each as often as ever. extra adds to it.
func (w *world) history(t *testing.T, r *rand.Rand, mean float64, extra func(place, mechanism, month int) float64) {
	t.Helper()
	var all []proto.Message
	for i := range crews {
		all = append(all, &pb.Workplace{Name: crew(i), Parent: quarry, Title: fmt.Sprint("Crew ", i), Level: 4})
	}
	w.put(t, all...)
	w.tell(t, historyOf(t, r, mean, "", extra)...)
}

func historyOf(t *testing.T, r *rand.Rand, mean float64, dataset string, extra func(place, mechanism, month int) float64) (all []story) {
	t.Helper()
	for p := range crews {
		for m := range mechanisms {
			for i, month := range months(t, "2024-07", 24) {
				rate := mean
				if extra != nil {
					rate += extra(p, m, i)
				}
				n := 0
				for sum := r.ExpFloat64(); sum <= rate; sum += r.ExpFloat64() {
					n++
				}
				all = append(all, times(n, story{workplace: crew(p), day: month + "-10", mechanism: fmt.Sprint(m + 1), dataset: dataset})...)
			}
		}
	}
	return all
}

var twoYears = &pb.Period{StartMonth: "2024-07", EndMonth: "2026-07"}

// TestPlantedCluster: what was made to pile up is found where it is, since when
// it does; and its number leads to its reports.
func TestPlantedCluster(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.history(t, rand.New(rand.NewPCG(1, 1)), 0.7, func(place, mechanism, month int) float64 {
		if place == 1 && mechanism == 2 && month >= 20 {
			return 6
		}
		return 0
	})
	for _, basis := range []pb.ClusterBasis{0, pb.ClusterBasis_CLUSTER_BASIS_REPORT_MIX, pb.ClusterBasis_CLUSTER_BASIS_ALL_PLACES, pb.ClusterBasis_CLUSTER_BASIS_OWN_PAST} {
		c := w.clusters(t, adviser, &pb.FindClustersRequest{Category: byMechanism, Period: twoYears, Basis: basis})
		require.EqualValues(t, 1, c.GetStanding(), basis)
		x := c.GetClusters()[0]
		require.Equal(t, crew(1), x.GetWorkplace().GetKey())
		require.Equal(t, "3", x.GetCategory().GetKey())
		// Since when is a guess: a month by chance full may lengthen the window.
		require.Contains(t, []string{"2026-02", "2026-03"}, x.GetStartMonth())
		require.Contains(t, []int32{4, 5}, x.GetMonths())
		require.Greater(t, float64(x.GetCount()), 1.3*x.GetExpected())
		require.Less(t, x.GetPValue(), 0.05)
		require.Equal(t, x.GetSentence(), c.GetSentence())
		require.Contains(t, x.GetSentence(), fmt.Sprintf("Crew 1, 3 title of 3: %d reports in the last %d months, where", x.GetCount(), x.GetMonths()))
		require.Contains(t, x.GetSentence(), "More than chance")
		require.Equal(t, x.GetCount(), w.found(t, x.GetFilter()))
		require.EqualValues(t, crews, c.GetPlaces())
		require.EqualValues(t, mechanisms, c.GetCategories())
		require.Positive(t, c.GetWindows())
		require.Contains(t, c.GetMethod(), "exact")
		require.Contains(t, c.GetSource(), "Kulldorff")
		require.Contains(t, c.GetCautions()[0], "need not cause each other")
		for _, other := range c.GetClusters()[1:] {
			require.Contains(t, other.GetSentence(), "No more than chance.")
		}
	}
}

// TestFlatWorld: where nothing is going on, about one search of twenty at most
// announces something.
func TestFlatWorld(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(7, 7))
	const trials = 20
	w := testWorld(t)
	var all []story
	for i := range trials {
		all = append(all, historyOf(t, r, 0.3, fmt.Sprint("world-", i), nil)...)
	}
	w.tell(t, all...)
	alarms := 0
	for i := range trials {
		c := w.clusters(t, adviser, &pb.FindClustersRequest{Category: byMechanism, Period: twoYears, Basis: pb.ClusterBasis_CLUSTER_BASIS_ALL_PLACES,
			Filter: &pb.ReportFilter{Datasets: []string{fmt.Sprint("world-", i)}}})
		if c.GetStanding() > 0 {
			alarms++
		} else {
			require.Equal(t, "No more than chance: nothing has lately piled up anywhere.", c.GetSentence())
		}
	}
	t.Logf("%d false alarms in %d searches", alarms, trials)
	require.LessOrEqual(t, alarms, 4, "at 5 %% more than four of twenty happen once in 390 times")
}

// TestTellingIsNoDanger: a place that begins to report everything several times as
// readily is not announced when what is reported is compared; and more near
// misses are never called a warning.
func TestTellingIsNoDanger(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.history(t, rand.New(rand.NewPCG(3, 3)), 0.7, func(place, _, month int) float64 {
		if place == 2 && month >= 19 {
			return 2
		}
		return 0
	})
	c := w.clusters(t, adviser, &pb.FindClustersRequest{Category: byMechanism, Period: twoYears, Basis: pb.ClusterBasis_CLUSTER_BASIS_REPORT_MIX})
	require.Zero(t, c.GetStanding(), c.GetSentence())
	c = w.clusters(t, adviser, &pb.FindClustersRequest{Category: byMechanism, Period: twoYears})
	require.Positive(t, c.GetStanding())
	for _, x := range c.GetClusters() {
		if x.GetStands() {
			require.Contains(t, x.GetSentence(), "that rose too, so ask first whether the telling has changed")
		}
	}
	c = w.clusters(t, adviser, &pb.FindClustersRequest{Category: byKind, Period: twoYears, Basis: pb.ClusterBasis_CLUSTER_BASIS_ALL_PLACES})
	require.EqualValues(t, 1, c.GetStanding())
	require.Contains(t, c.GetSentence(), "More of these told is good news or no news, not a warning.")
	require.Contains(t, strings.Join(c.GetCautions(), " "), "ask first whether the telling has changed")
}

// TestOnePlace: a place that stands alone is compared with its own past, and says
// so; one among few that holds nearly everything is said to be blind.
func TestOnePlace(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	w.history(t, rand.New(rand.NewPCG(1, 1)), 0.7, func(place, mechanism, month int) float64 {
		if place == 1 && mechanism == 2 && month >= 20 {
			return 6
		}
		return 0
	})
	c := w.clusters(t, adviser, &pb.FindClustersRequest{Category: byMechanism, Period: twoYears, Filter: &pb.ReportFilter{Workplaces: []string{crew(1)}}})
	require.EqualValues(t, 1, c.GetPlaces())
	require.EqualValues(t, 1, c.GetStanding())
	require.Contains(t, c.GetMethod(), "only one place reports here")
	w.tell(t, times(200, story{workplace: north, day: "2025-01-10", mechanism: "9"})...)
	w.tell(t, times(3, story{workplace: quarry, day: "2025-01-10", mechanism: "9"})...)
	c = w.clusters(t, adviser, &pb.FindClustersRequest{Category: byMechanism, Period: twoYears, MinCount: 100})
	require.EqualValues(t, 1, c.GetBlind())
	require.Contains(t, c.GetSentence(), "Nothing can be said")
	require.Contains(t, strings.Join(c.GetCautions(), " "), "cannot stand out")
	c = w.clusters(t, adviser, &pb.FindClustersRequest{Category: byKind, Period: twoYears, Basis: pb.ClusterBasis_CLUSTER_BASIS_REPORT_MIX})
	require.Contains(t, c.GetSentence(), "its share cannot change")
	c = w.clusters(t, adviser, &pb.FindClustersRequest{Category: byMechanism, Period: twoYears, MinCount: 1000})
	require.Contains(t, c.GetSentence(), "Too few to say")
}
