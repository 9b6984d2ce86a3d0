package cause

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// R 4.2.2: fisher.test, chisq.test and the definitions of lib.R beside the
// fixtures, on a table made up for this test. The exact conditional estimate and
// limits are fisher.test's equations solved in R with uniroot(tol = 1e-15); what
// fisher.test itself prints, stopping at 1.2e-4, is below them.
func TestAssociate_R(t *testing.T) {
	t.Parallel()
	s, err := Associate(Fourfold{7, 12, 3, 58}, 0)
	require.NoError(t, err)
	require.True(t, s.Defined)
	r, err := s.ConditionalAsR(0.95)
	require.NoError(t, err)
	for _, c := range []struct{ want, got, tol float64 }{
		{0.0875, s.Support, 1e-12}, {0.368421052631579, s.Confidence, 1e-12}, {2.94736842105263, s.Lift, 1e-12},
		{0.0578125, s.Leverage, 1e-12}, {1.38541666666667, s.Conviction, 1e-12}, {0.410781603709334, s.Phi, 1e-12},
		{11.2777777777778, s.Woolf.Value, 1e-12}, {2.54552885344577, s.Woolf.Lo, 1e-11}, {49.9653623775544, s.Woolf.Hi, 1e-11},
		{10.0285714285714, s.Haldane.Value, 1e-12}, {2.45307239036177, s.Haldane.Lo, 1e-11}, {40.9984822678336, s.Haldane.Hi, 1e-11},
		{13.499322075681, s.Pearson, 1e-12}, {0.000238649655703089, s.PearsonP, 1e-11},
		{10.7383212128682, s.Yates, 1e-12}, {0.00104939491664662, s.YatesP, 1e-11}, {2.375, s.MinExpected, 1e-12},
		{0.00118889523002776, s.Fisher.TwoSided, 1e-11}, {0.00118889523002776, s.Fisher.Greater, 1e-11}, {0.999912515526121, s.Fisher.Less, 1e-11},
		{10.79504771014543, s.Conditional.Value, 1e-9}, {2.10729740460189, s.Conditional.Lo, 1e-9}, {74.06695925529009, s.Conditional.Hi, 1e-9},
		{10.7921785110063, r.Value, 1e-12}, {2.10739440501502, r.Lo, 1e-12}, {74.0634788157397, r.Hi, 1e-12},
	} {
		require.InEpsilon(t, c.want, c.got, c.tol)
	}
	require.Equal(t, s.Conditional, s.Odds())
}

// The exact limits are the odds at which the table seen has probability 2.5 %
// in one tail, and the estimate the odds at which it is the mean.
func TestAssociate_conditionalMeetsItsDefinition(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := Fourfold{rapid.IntRange(0, 40).Draw(t, "a"), rapid.IntRange(0, 40).Draw(t, "b"), rapid.IntRange(0, 40).Draw(t, "c"), rapid.IntRange(0, 300).Draw(t, "d")}
		s, err := Associate(f, 0.95)
		require.NoError(t, err)
		if !s.Defined {
			require.NotEmpty(t, s.Reason)
			return
		}
		o := s.Conditional
		require.True(t, o.Bounded)
		if o.Lo > 0 {
			d, err := f.hypergeometric(o.Lo)
			require.NoError(t, err)
			require.InDelta(t, 0.025, d.Survival(f.Both), 1e-9)
		}
		if !o.HiOpen {
			d, err := f.hypergeometric(o.Hi)
			require.NoError(t, err)
			require.InDelta(t, 0.025, d.CDF(f.Both), 1e-9)
			require.LessOrEqual(t, o.Lo, o.Hi)
		}
		if !o.Open && o.Value > 0 {
			d, err := f.hypergeometric(o.Value)
			require.NoError(t, err)
			require.InDelta(t, f.Both, d.Mean(), 1e-8)
		}
		// Which fact is called the exposure does not matter, and naming its
		// absence turns the odds over.
		turned, err := Associate(Fourfold{f.Both, f.OutcomeOnly, f.ExposureOnly, f.Neither}, 0.95)
		require.NoError(t, err)
		require.InDelta(t, s.Fisher.TwoSided, turned.Fisher.TwoSided, 1e-9)
		require.InDelta(t, s.Lift, turned.Lift, 1e-9)
		absent, err := Associate(Fourfold{f.OutcomeOnly, f.Neither, f.Both, f.ExposureOnly}, 0.95)
		require.NoError(t, err)
		require.InDelta(t, s.Phi, -absent.Phi, 1e-9)
		require.InDelta(t, s.Fisher.TwoSided, absent.Fisher.TwoSided, 1e-9)
		require.InDelta(t, s.Fisher.Less, absent.Fisher.Greater, 1e-9)
		require.InDelta(t, 1, s.Fisher.Less+s.Fisher.Greater-s.pointMass(t), 1e-9)
	})
}

func (s Association) pointMass(t require.TestingT) float64 {
	d, err := s.hypergeometric(1)
	require.NoError(t, err)
	return d.PMF(s.Both)
}

// The exact interval never covers less than it says, Woolf's covers about what
// it says.
func TestAssociate_coverage(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(12, 10))
	const trials, odds = 1500, 3.0
	exact, woolf, bounded := 0, 0, 0
	for range trials {
		var f Fourfold
		for range 60 {
			if r.Float64() < 0.4 { // exposed: odds 0.25 * 3
				if r.Float64() < 0.75/1.75 {
					f.Both++
				} else {
					f.ExposureOnly++
				}
			} else if r.Float64() < 0.25/1.25 {
				f.OutcomeOnly++
			} else {
				f.Neither++
			}
		}
		s, err := Associate(f, 0.95)
		require.NoError(t, err)
		if o := s.Conditional; o.Lo <= odds && (o.HiOpen || odds <= o.Hi) {
			exact++
		}
		if o := s.Woolf; o.Bounded {
			bounded++
			if o.Lo <= odds && odds <= o.Hi {
				woolf++
			}
		}
	}
	t.Logf("exact %.1f %%, Woolf %.1f %%", pct(exact, trials), pct(woolf, bounded))
	require.Greater(t, pct(exact, trials), 95-3*100*math.Sqrt(0.05*0.95/trials))
	require.InDelta(t, 95, pct(woolf, bounded), 2.5)
}

// R 4.2.2: fisher.test(workspace = 2e8) and chisq.test.
func TestTable_R(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		table [][]int
		p     float64
	}{
		{[][]int{{1, 3, 10, 6}, {2, 3, 10, 7}, {1, 6, 14, 12}, {0, 1, 9, 11}}, 0.782684938965675}, // Agresti (2002) p. 57; R ?fisher.test
		{[][]int{{4, 1, 0, 3, 2, 7, 1}, {2, 2, 6, 1, 0, 1, 3}, {1, 5, 0, 2, 4, 1, 1}}, 0.00166433770655152},
		{[][]int{{20, 14, 30}, {10, 22, 17}, {8, 4, 25}, {12, 9, 9}}, 0.00305521998689358},
		{[][]int{{1, 0, 2, 3, 1}, {4, 1, 0, 0, 2}, {0, 3, 1, 1, 0}, {2, 2, 2, 2, 5}, {1, 1, 4, 0, 0}}, 0.044966736621815},
		{[][]int{{12, 5, 0, 3}, {4, 9, 2, 8}, {0, 0, 0, 0}, {7, 1, 6, 2}}, 0.00140011293291035},
	} {
		f, err := FisherTable(c.table, FisherOptions{})
		require.NoError(t, err)
		require.True(t, f.Exact)
		require.InEpsilon(t, c.p, f.PValue, 1e-9)
		// Where the exact way is closed, simulation says so and comes close.
		g, err := FisherTable(c.table, FisherOptions{MaxWork: 1, Draws: 20_000, Seed: 5})
		require.NoError(t, err)
		require.False(t, g.Exact)
		require.Contains(t, g.Method, "20000 tables simulated with seed 5")
		require.InDelta(t, c.p, g.PValue, 4*math.Sqrt(c.p*(1-c.p)/20_000)+1e-4)
	}
	x, err := ChiSquare([][]int{{12, 5, 0, 3}, {4, 9, 2, 8}, {0, 0, 0, 0}, {7, 1, 6, 2}})
	require.NoError(t, err)
	require.Equal(t, 6, x.DF)
	require.InEpsilon(t, 21.80676076050603385, x.Statistic, 1e-12)
	require.InEpsilon(t, 0.00131246286041135, x.PValue, 1e-10)
	require.InEpsilon(t, 2.16949152542372881, x.MinExpected, 1e-12)
	require.InEpsilon(t, 3.276499788859000, x.Residuals[3][2], 1e-12)
	require.Zero(t, x.Residuals[2][1]) // the empty row
	require.Equal(t, 3, x.Rows)
}

// A two-by-two table is a table of any size too.
func TestFisherTable_agreesWithFourfold(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := Fourfold{rapid.IntRange(0, 30).Draw(t, "a"), rapid.IntRange(0, 30).Draw(t, "b"), rapid.IntRange(0, 30).Draw(t, "c"), rapid.IntRange(0, 30).Draw(t, "d")}
		s, err := Associate(f, 0)
		require.NoError(t, err)
		g, err := FisherTable([][]int{{f.Both, f.ExposureOnly}, {f.OutcomeOnly, f.Neither}}, FisherOptions{})
		require.NoError(t, err)
		require.Equal(t, s.Defined, g.Defined)
		if s.Defined {
			require.InDelta(t, s.Fisher.TwoSided, g.PValue, 1e-9)
		}
	})
}

// Every way to follow a table gives what a plain enumeration gives.
func TestFisherTable_agreesWithEnumeration(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rows, cols := rapid.IntRange(2, 3).Draw(t, "rows"), rapid.IntRange(2, 4).Draw(t, "cols")
		table := make([][]int, rows)
		for i := range table {
			for range cols {
				table[i] = append(table[i], rapid.IntRange(0, 4).Draw(t, "n"))
			}
		}
		g, err := FisherTable(table, FisherOptions{})
		require.NoError(t, err)
		if !g.Defined {
			return
		}
		require.InEpsilon(t, enumerate(table), g.PValue, 1e-9)
	})
}

// enumerate adds up the probabilities of all tables with the margins of the one
// given that are no more probable, cell by cell.
func enumerate(table [][]int) float64 {
	m, err := newMargins("", table)
	if err != nil {
		return math.NaN()
	}
	lf := logFactorials(m.n)
	seen, all := 0.0, -lf[m.n]
	for i, row := range table {
		all += lf[m.rows[i]]
		for _, n := range row {
			seen += lf[n]
		}
	}
	for _, c := range m.cols {
		all += lf[c]
	}
	cols := append([]int(nil), m.cols...)
	p := 0.0
	var cell func(i, j, left int, sum float64)
	cell = func(i, j, left int, sum float64) {
		switch {
		case i == len(m.rows):
			if sum >= seen-1e-7 {
				p += math.Exp(all - sum)
			}
		case j == len(cols)-1:
			if left <= cols[j] {
				cols[j] -= left
				next := 0
				if i+1 < len(m.rows) {
					next = m.rows[i+1]
				}
				cell(i+1, 0, next, sum+lf[left])
				cols[j] += left
			}
		default:
			for x := 0; x <= min(left, cols[j]); x++ {
				cols[j] -= x
				cell(i, j+1, left-x, sum+lf[x])
				cols[j] += x
			}
		}
	}
	cell(0, 0, m.rows[0], 0)
	return p
}

// Benjamini and Hochberg (1995), section 4.1 (p-values from memory): their
// procedure rejects four, Bonferroni's three, at 5 %.
func TestAdjust_published(t *testing.T) {
	t.Parallel()
	p := []float64{0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1}
	for c, want := range map[Correction]int{BenjaminiHochberg: 4, Bonferroni: 3, Holm: 3, BenjaminiYekutieli: 3} {
		adjusted, err := Adjust(p, c)
		require.NoError(t, err)
		require.Equal(t, want, Finds(adjusted, 0.05), c)
	}
}

func TestAdjust_properties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SliceOfN(rapid.Float64Range(0, 1), 0, 40).Draw(t, "p")
		var by [4][]float64
		for i, c := range []Correction{BenjaminiHochberg, Holm, Bonferroni, BenjaminiYekutieli} {
			var err error
			by[i], err = Adjust(p, c)
			require.NoError(t, err)
		}
		for i := range p {
			require.LessOrEqual(t, p[i], by[0][i]+1e-15)
			require.LessOrEqual(t, by[0][i], by[1][i]+1e-12)
			require.LessOrEqual(t, by[1][i], by[2][i]+1e-12)
			require.LessOrEqual(t, by[0][i], by[3][i]+1e-12)
			for j := range p {
				if p[i] < p[j] {
					require.LessOrEqual(t, by[0][i], by[0][j])
				}
			}
		}
	})
}
