package cause

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// quietGrid has places of different size and kinds of different frequency, a
// season that differs by kind, and hours that grow at some places: everything
// but a cluster.
func quietGrid(r *rand.Rand, places, kinds, periods int, mean float64) Grid {
	g := Grid{Places: places, Kinds: kinds, Periods: periods, Counts: make([]int, places*kinds*periods), Exposure: make([]float64, places*periods)}
	for p := range places {
		size, growth := math.Exp(r.NormFloat64()), 0.03*float64(p%3)
		for t := range periods {
			g.Exposure[p*periods+t] = 1000 * size * (1 + growth*float64(t))
		}
		for k := range kinds {
			risk := mean * math.Exp(r.NormFloat64()) / 1000
			for t := range periods {
				season := 1 + 0.5*math.Sin(float64(t+k)*math.Pi/6)
				g.Counts[(p*kinds+k)*periods+t] = poissonDraw(r, risk*season*g.Exposure[p*periods+t])
			}
		}
	}
	return g
}

func poissonDraw(r *rand.Rand, mean float64) int {
	n := 0
	for sum := r.ExpFloat64(); sum <= mean; sum += r.ExpFloat64() {
		n++
	}
	return n
}

// With nothing going on, the clearest cluster is announced at 5 % in about one
// scan of twenty, whatever places, kinds, seasons and hours are like.
func TestScan_keepsItsPromise(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(12, 1))
	const trials = 400
	against, own, shuffled := 0, 0, 0
	for range trials {
		g := quietGrid(r, 20, 5, 24, 0.3)
		s, err := Scan(g, ScanOptions{Show: 1})
		require.NoError(t, err)
		if len(s.Clusters) > 0 && s.Clusters[0].PValue <= 0.05 {
			against++
		}
		// The same reports with their periods shuffled within each kind.
		if s, err = Scan(shuffle(r, g), ScanOptions{Show: 1}); err == nil && len(s.Clusters) > 0 && s.Clusters[0].PValue <= 0.05 {
			shuffled++
		}
		// Against the own past alone a season is a cluster; without one the promise
		// holds.
		flat := g
		flat.Counts = make([]int, len(g.Counts))
		for j := range flat.Counts {
			flat.Counts[j] = poissonDraw(r, 0.4)
		}
		flat.Exposure = nil
		if s, err = Scan(flat, ScanOptions{Show: 1, OwnPast: true}); err == nil && len(s.Clusters) > 0 && s.Clusters[0].PValue <= 0.05 {
			own++
		}
	}
	t.Logf("false alarms at 5 %%: against others %.1f %%, shuffled %.1f %%, own past %.1f %%", pct(against, trials), pct(shuffled, trials), pct(own, trials))
	for _, n := range []int{against, shuffled, own} {
		require.Less(t, pct(n, trials), 5+3*100*math.Sqrt(0.05*0.95/trials))
		require.Greater(t, pct(n, trials), 1.0)
	}
}

func pct(n, of int) float64 { return 100 * float64(n) / float64(of) }

// shuffle permutes the periods of the reports of each kind over all places.
func shuffle(r *rand.Rand, g Grid) Grid {
	out := Grid{Places: g.Places, Kinds: g.Kinds, Periods: g.Periods, Counts: make([]int, len(g.Counts))}
	for k := range g.Kinds {
		var places, periods []int
		for p := range g.Places {
			for t := range g.Periods {
				for range g.at(p, k, t) {
					places, periods = append(places, p), append(periods, t)
				}
			}
		}
		r.Shuffle(len(periods), func(i, j int) { periods[i], periods[j] = periods[j], periods[i] })
		for i, p := range places {
			out.Counts[(p*g.Kinds+k)*g.Periods+periods[i]]++
		}
	}
	return out
}

// A planted cluster, three months of four times the reports at one place, is
// found where it is; a surge of all kinds at a place is not, when the scan looks
// at the mix of reports.
func TestScan_finds(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(12, 2))
	const trials = 100
	found, surge := 0, 0
	for range trials {
		g := quietGrid(r, 20, 5, 24, 1)
		for m := range 24 {
			g.Exposure[7*24+m] = 1000
			g.Counts[(7*5+2)*24+m] = poissonDraw(r, 2)
			if m >= 21 {
				g.Counts[(7*5+2)*24+m] = poissonDraw(r, 8)
			}
		}
		s, err := Scan(g, ScanOptions{Show: 1})
		require.NoError(t, err)
		if c := s.Clusters[0]; c.PValue <= 0.05 && c.Place == 7 && c.Kind == 2 {
			found++
		}
		// Everybody at place 3 reports twice as much for four months.
		h := quietGrid(r, 20, 5, 24, 1)
		all := make([]float64, 20*24)
		for p := range 20 {
			for k := range 5 {
				for m := range 24 {
					n := &h.Counts[(p*5+k)*24+m]
					if p == 3 && m >= 20 {
						*n += poissonDraw(r, float64(*n))
					}
					all[p*24+m] += float64(*n)
				}
			}
		}
		h.Exposure = all
		if s, err = Scan(h, ScanOptions{Show: 1}); err == nil && len(s.Clusters) > 0 && s.Clusters[0].PValue <= 0.05 && s.Clusters[0].Place == 3 {
			surge++
		}
	}
	t.Logf("planted cluster found in %.0f %%; surge of reporting announced in %.1f %%", pct(found, trials), pct(surge, trials))
	require.Greater(t, pct(found, trials), 75.0)
	require.Less(t, pct(surge, trials), 5.0)
}

// A plain simulation that deals out every report of every pair must give the
// same p-values.
func TestScan_equalsPlainSimulation(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(12, 3))
	g := quietGrid(r, 8, 3, 12, 0.5)
	o := ScanOptions{Longest: 4}
	s, err := Scan(g, o)
	require.NoError(t, err)
	require.NotEmpty(t, s.Clusters)
	require.NoError(t, o.complete("", g))
	const draws = 5000
	reached := make([]int, len(s.Clusters))
	var pairs []pair
	for k := range g.Kinds {
		shares := g.recentShares(k, o)
		for p := range g.Places {
			if n := g.total(p, k); n >= o.MinCases {
				pairs = append(pairs, pair{p, k, n, shares[p]})
			}
		}
	}
	for range draws {
		best := 0.0
		for _, q := range pairs {
			dealt := make([]int, 4)
			for range q.total {
				u := r.Float64()
				for l, c := range q.share {
					if u < c {
						dealt[l]++
						break
					}
				}
			}
			n := 0
			for l, x := range dealt {
				if n += x; n >= o.MinCases {
					best = max(best, q.lr(n, l))
				}
			}
		}
		for i, c := range s.Clusters {
			if best >= c.LR*(1-1e-9) {
				reached[i]++
			}
		}
	}
	for i, c := range s.Clusters {
		want := float64(reached[i]) / draws
		require.InDelta(t, want, c.PValue, 4*math.Sqrt(want*(1-want)/draws)+2.0/draws, "cluster %d", i)
	}
}

// With equal hours the expectation is the product of the margins, as in
// Kulldorff et al. (2005); with hours it adds up to what was counted.
func TestScan_expectation(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(12, 4))
	for _, hours := range []bool{false, true} {
		g := quietGrid(r, 6, 2, 10, 1)
		if !hours {
			g.Exposure = nil
		}
		shares := g.recentShares(1, ScanOptions{Longest: 9})
		for l := range 9 {
			expected, counted := 0.0, 0
			for p := range g.Places {
				expected += shares[p][l] * float64(g.total(p, 1))
				for m := g.Periods - 1 - l; m < g.Periods; m++ {
					counted += g.at(p, 1, m)
				}
			}
			require.InDelta(t, counted, expected, 1e-6*float64(counted)+1e-9)
		}
		if !hours {
			require.InDelta(t, shares[0][3], shares[5][3], 1e-12)
		}
	}
}

func TestScan_properties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		g := Grid{Places: rapid.IntRange(1, 5).Draw(t, "places"), Kinds: rapid.IntRange(1, 3).Draw(t, "kinds"), Periods: rapid.IntRange(2, 9).Draw(t, "periods")}
		for range g.Places * g.Kinds * g.Periods {
			g.Counts = append(g.Counts, rapid.IntRange(0, 4).Draw(t, "n"))
		}
		o := ScanOptions{OwnPast: rapid.Bool().Draw(t, "own"), MinCases: rapid.IntRange(1, 4).Draw(t, "least")}
		s, err := Scan(g, o)
		require.NoError(t, err)
		again, err := Scan(g, o)
		require.NoError(t, err)
		require.Equal(t, s, again)
		last := math.Inf(1)
		for _, c := range s.Clusters {
			require.LessOrEqual(t, c.LR, last)
			last = c.LR
			n := 0
			for m := c.From; m < g.Periods; m++ {
				n += g.at(c.Place, c.Kind, m)
			}
			require.Equal(t, n, c.Count)
			require.Greater(t, float64(c.Count), c.Expected)
			require.Equal(t, g.Periods, c.From+c.Periods)
			require.True(t, c.PValue > 0 && c.PValue <= 1)
			require.GreaterOrEqual(t, c.OnceIn(), 1.0)
		}
	})
}

func BenchmarkScan(b *testing.B) {
	for name, mean := range map[string]float64{"20,000 reports": 0.08, "200,000 reports": 0.8, "2,000,000 reports": 8} {
		g := quietGrid(rand.New(rand.NewPCG(12, 5)), 200, 30, 24, mean)
		n := 0
		for _, c := range g.Counts {
			n += c
		}
		b.Run(name, func(b *testing.B) {
			b.ReportMetric(float64(n), "reports")
			for b.Loop() {
				if _, err := Scan(g, ScanOptions{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
