package cause

import (
	"fmt"
	"math"
	"math/rand/v2"

	"fairlead/analytics/dist"
)

// FisherOptions choose how hard to try for an exact p-value. The zero value
// follows at most 2,000,000 partial tables and then simulates 9,999 tables with
// seed 0.
type FisherOptions struct {
	MaxWork int    // partial tables followed; 0 means 2,000,000; 1 goes straight to simulation
	Draws   int    // tables simulated where that is not enough; 0 means 9,999
	Seed    uint64 // the same seed gives the same p-value
}

// FisherTest is Fisher's exact test of a table of any size. Its figures mean
// something only when Defined is true.
type FisherTest struct {
	N      int
	PValue float64 // chance of a table no more probable than the one seen, given the margins
	Exact  bool
	Draws  int     // tables simulated; 0 when exact
	SE     float64 // standard error of a simulated PValue; 0 when exact
	Seed   uint64
	Method string
	// Defined is false when fewer than two rows or columns have reports.
	Defined bool
	Reason  string
}

// FisherTable returns Fisher's exact test of whether the rows of a table have
// the same shares by column: the chance, given the margins, of tables no more
// probable than the one seen. It follows columns one by one, joins partial
// tables that leave the same rows to fill and are equally probable, and cuts
// off those whose completions are all counted, or none. Where that is too much
// work, tables with the same margins are drawn at random instead, and the
// result says so.
//
// The domain is that of [ChiSquare]; o.MaxWork must be in [1, 1e8] and o.Draws
// in [99, 1e6] when given; otherwise the error wraps [dist.ErrDomain].
//
// Freeman and Halton (1951), Biometrika 38:141-149; Mehta and Patel (1983),
// Journal of the American Statistical Association 78:427-434, for the network.
func FisherTable(table [][]int, o FisherOptions) (FisherTest, error) {
	const op = "cause: fisher table"
	if o.MaxWork == 0 {
		o.MaxWork = 2_000_000
	}
	if o.Draws == 0 {
		o.Draws = 9999
	}
	switch {
	case o.MaxWork < 1 || o.MaxWork > 100_000_000:
		return FisherTest{}, dist.BadInt(op, "max work", o.MaxWork, "must be at least 1 and at most 1e8")
	case o.Draws < 99 || o.Draws > 1_000_000:
		return FisherTest{}, dist.BadInt(op, "draws", o.Draws, "must be at least 99 and at most 1,000,000")
	}
	m, err := newMargins(op, table)
	if err != nil {
		return FisherTest{}, err
	}
	f := FisherTest{N: m.n, Seed: o.Seed}
	if f.Reason = m.obstacle(); f.Reason != "" {
		return f, nil
	}
	f.Defined = true
	if m.n <= maxNetworkTotal {
		if p, ok := newNetwork(table, m).pValue(o.MaxWork); ok {
			f.PValue, f.Exact, f.Method = p, true, "Fisher's exact test"
			return f, nil
		}
	}
	// A draw shuffles every report; very large tables get fewer of them.
	draws := o.Draws
	if limit := maxShuffles / max(1, m.n); draws > limit {
		draws = max(99, limit)
	}
	if m.n > maxShuffles/99 {
		return FisherTest{}, dist.BadInt(op, "table", m.n, "is too large for an exact test: use the chi-square test")
	}
	reached := 1 + shuffledAsRare(table, m, draws, o.Seed)
	f.Draws = draws
	f.PValue = float64(reached) / float64(draws+1)
	f.SE = math.Sqrt(f.PValue * (1 - f.PValue) / float64(draws))
	f.Method = fmt.Sprintf("Fisher's test, %d tables simulated with seed %d", draws, o.Seed)
	return f, nil
}

const (
	maxNetworkTotal = 20_000
	maxShuffles     = 500_000_000
)

// shuffledAsRare draws tables with the same margins by shuffling which column
// each report is in, and returns how many are no more probable than the table
// seen.
func shuffledAsRare(table [][]int, m margins, draws int, seed uint64) int {
	r := rand.New(rand.NewPCG(seed, 0x666973686572))
	logFact := logFactorials(m.n)
	cols := make([]int32, 0, m.n)
	for j, c := range m.cols {
		for range c {
			cols = append(cols, int32(j))
		}
	}
	limit := -math.Log(tieAllowance)
	for _, row := range table {
		for _, n := range row {
			limit += logFact[n]
		}
	}
	count := make([]int, len(m.cols))
	rare := 0
	for range draws {
		r.Shuffle(len(cols), func(i, j int) { cols[i], cols[j] = cols[j], cols[i] })
		sum, at := 0.0, 0
		for _, n := range m.rows {
			clear(count)
			for _, c := range cols[at : at+n] {
				count[c]++
			}
			at += n
			for _, c := range count {
				sum += logFact[c]
			}
		}
		if sum >= limit {
			rare++
		}
	}
	return rare
}
