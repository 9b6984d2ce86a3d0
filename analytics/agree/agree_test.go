package agree

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"fairlead/analytics/dist"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// SAS PROC FREQ as quoted in statsmodels' test_inter_rater.py: kappa, standard
// error, limits, standard error and z under chance.
func TestCohen_published(t *testing.T) {
	t.Parallel()
	table := [][]int{{0, 4, 1}, {0, 8, 0}, {0, 1, 5}}
	k, err := Cohen(table, 0)
	require.NoError(t, err)
	for _, c := range []struct{ want, got float64 }{{0.4842, k.Value}, {0.1380, k.SE}, {0.2137, k.Lo}, {0.7547, k.Hi}, {0.1484, k.SENull}, {3.2626, k.ZNull}} {
		require.InDelta(t, c.want, c.got, 0.5e-4+1e-12)
	}
	k, err = CohenWeighted(table, Linear(3), 0.95)
	require.NoError(t, err)
	for _, c := range []struct{ want, got float64 }{{0.4701, k.Value}, {0.1457, k.SE}, {0.1845, k.Lo}, {0.7558, k.Hi}, {0.1426, k.SENull}, {3.2971, k.ZNull}} {
		require.InDelta(t, c.want, c.got, 0.5e-4+1e-12)
	}
}

// Computed in R 4.2.2 from the definition of lib.R beside the fixtures, for
// units with gaps, a zero, and a unit coded once.
func TestKrippendorff_R(t *testing.T) {
	t.Parallel()
	units := [][]float64{{0, 0}, {1, 2, 1}, {4, 4, 3}, {7, 9}, {2}, {5, 5, 5}, {0, 1, 0}, {9, 8, 9}}
	for scale, want := range map[Scale]float64{Nominal: 0.419354838709677, Ordinal: 0.946567403288885, Distance: 0.961823966065748, Ratio: 0.750228942535265} {
		a, err := Krippendorff(units, scale, Options{})
		require.NoError(t, err)
		require.True(t, a.Defined)
		require.InEpsilon(t, want, a.Value, 1e-12, scale)
		require.Equal(t, 7, a.Units)
		require.Equal(t, 1, a.Single)
		require.True(t, a.Bounded)
		require.True(t, a.Lo <= a.Value && a.Value <= a.Hi)
		b, err := Krippendorff(units, scale, Options{})
		require.NoError(t, err)
		require.Equal(t, a, b, "the same seed gives the same interval")
	}
}

// panel codes items by category with three coders who get it right with the
// given chance and guess otherwise, so that kappa and alpha are right^2.
func panel(r *rand.Rand, items int, right float64) (units [][]float64, counts [][]int, table [][]int) {
	const k = 4
	table = make([][]int, k)
	for i := range table {
		table[i] = make([]int, k)
	}
	for range items {
		truth := r.IntN(k)
		u, row := make([]float64, 3), make([]int, k)
		for c := range u {
			code := truth
			if r.Float64() >= right {
				code = r.IntN(k)
			}
			u[c] = float64(code)
			row[code]++
		}
		units, counts = append(units, u), append(counts, row)
		table[int(u[0])][int(u[1])]++
	}
	return units, counts, table
}

// The truth is known by construction: coders who know the answer with chance
// 0.8 agree beyond chance by 0.64.
func TestAgreement_recoversTheTruth(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(13, 1))
	units, counts, table := panel(r, 4000, 0.8)
	a, err := Krippendorff(units, Nominal, Options{Draws: 200})
	require.NoError(t, err)
	f, err := Fleiss(counts)
	require.NoError(t, err)
	k, err := Cohen(table, 0)
	require.NoError(t, err)
	for _, got := range []float64{a.Value, f.Value, k.Value} {
		require.InDelta(t, 0.64, got, 0.03)
	}
	for _, c := range f.Categories {
		require.True(t, c.Defined)
		require.InDelta(t, 0.64, c.Kappa, 0.04)
	}
}

// The 95 % intervals hold the truth about as often as they say, with 60 items.
func TestAgreement_coverage(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(13, 2))
	const trials = 600
	alpha, kappa := 0, 0
	for i := range trials {
		units, _, table := panel(r, 60, 0.8)
		a, err := Krippendorff(units, Nominal, Options{Draws: 400, Seed: uint64(i)})
		require.NoError(t, err)
		if a.Lo <= 0.64 && 0.64 <= a.Hi {
			alpha++
		}
		k, err := Cohen(table, 0)
		require.NoError(t, err)
		if k.Lo <= 0.64 && 0.64 <= k.Hi {
			kappa++
		}
	}
	t.Logf("alpha %.1f %%, kappa %.1f %% of %d", 100*float64(alpha)/trials, 100*float64(kappa)/trials, trials)
	require.InDelta(t, 0.95, float64(alpha)/trials, 0.03)
	require.InDelta(t, 0.95, float64(kappa)/trials, 0.03)
}

// Coders who guess agree by chance: z exceeds 1.96 in about one of twenty.
func TestAgreement_falseAlarms(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(13, 3))
	const trials = 2000
	cohen, fleiss := 0, 0
	for range trials {
		_, counts, table := panel(r, 50, 0)
		k, err := Cohen(table, 0)
		require.NoError(t, err)
		f, err := Fleiss(counts)
		require.NoError(t, err)
		if math.Abs(k.ZNull) > 1.96 {
			cohen++
		}
		if math.Abs(f.ZNull) > 1.96 {
			fleiss++
		}
	}
	t.Logf("Cohen %.1f %%, Fleiss %.1f %%", 100*float64(cohen)/trials, 100*float64(fleiss)/trials)
	require.InDelta(t, 0.05, float64(cohen)/trials, 0.02)
	require.InDelta(t, 0.05, float64(fleiss)/trials, 0.02)
}

func TestAgreement_properties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.IntRange(2, 5).Draw(t, "k")
		table := make([][]int, k)
		var units [][]float64
		var first, second []string
		name := "abcde"
		for i := range table {
			table[i] = make([]int, k)
			for j := range table[i] {
				table[i][j] = rapid.IntRange(0, 6).Draw(t, "n")
				for range table[i][j] {
					units = append(units, []float64{float64(i), float64(j)})
					first, second = append(first, name[i:i+1]), append(second, name[j:j+1])
				}
			}
		}
		a, err := Cohen(table, 0)
		require.NoError(t, err)
		// The order of coders does not matter, nor a category nobody used.
		turned := make([][]int, k+1)
		for i := range turned {
			turned[i] = make([]int, k+1)
			for j := range k {
				if i < k {
					turned[i][j] = table[j][i]
				}
			}
		}
		b, err := Cohen(turned, 0)
		require.NoError(t, err)
		require.Equal(t, a.Defined, b.Defined)
		if a.Defined {
			require.InDelta(t, a.Value, b.Value, 1e-12)
			require.InDelta(t, a.SE, b.SE, 1e-12)
			require.LessOrEqual(t, a.Value, 1+1e-12)
			lo, hi := a.Limits()
			require.True(t, lo >= -1 && hi <= 1 && lo <= hi)
		}
		if len(first) > 0 {
			order, again, missing, err := Table(first, second, nil)
			require.NoError(t, err)
			require.Zero(t, missing)
			if len(order) >= 2 {
				c, err := Cohen(again, 0)
				require.NoError(t, err)
				require.InDelta(t, a.Value, c.Value, 1e-12)
			}
		}
		al, err := Krippendorff(units, Nominal, Options{Draws: 100})
		require.NoError(t, err)
		if al.Defined {
			require.LessOrEqual(t, al.Value, 1.0)
		}
		// The names of nominal categories do not matter.
		moved := make([][]float64, len(units))
		for i, u := range units {
			moved[i] = []float64{-3 * u[1], -3 * u[0]}
		}
		am, err := Krippendorff(moved, Nominal, Options{Draws: 100})
		require.NoError(t, err)
		require.InDelta(t, al.Value, am.Value, 1e-12)
		require.Equal(t, al.Defined, am.Defined)
	})
}

func TestAgreement_degenerate(t *testing.T) {
	t.Parallel()
	k, err := Cohen([][]int{{0, 0}, {0, 0}}, 0)
	require.NoError(t, err)
	require.False(t, k.Defined)
	k, err = Cohen([][]int{{9, 0}, {0, 0}}, 0)
	require.NoError(t, err)
	require.False(t, k.Defined)
	require.Contains(t, k.Reason, "one category throughout")
	// Full agreement has no spread to work an interval out from; the note says
	// what could still have gone unseen: 1 - 0.025^(1/20).
	k, err = Cohen([][]int{{9, 0}, {0, 11}}, 0)
	require.NoError(t, err)
	require.InDelta(t, 1, k.Value, 1e-15)
	require.Contains(t, k.Note, "up to 17 % of them")

	f, err := Fleiss(nil)
	require.NoError(t, err)
	require.False(t, f.Defined)
	f, err = Fleiss([][]int{{3, 0}, {3, 0}})
	require.NoError(t, err)
	require.False(t, f.Defined)
	f, err = Fleiss([][]int{{3, 0, 0}, {1, 2, 0}})
	require.NoError(t, err)
	require.True(t, f.Defined)
	require.False(t, f.Categories[2].Defined)

	for _, units := range [][][]float64{nil, {{1, 2}}, {{1}, {2}, {3, 3}}, {{1, 1}, {1, 1}}} {
		a, err := Krippendorff(units, Nominal, Options{})
		require.NoError(t, err)
		require.False(t, a.Defined)
		require.NotEmpty(t, a.Reason)
	}
	// One stray code among many: alpha exists, its interval does not.
	units := [][]float64{{1, 2}}
	for range 30 {
		units = append(units, []float64{1, 1})
	}
	a, err := Krippendorff(units, Nominal, Options{})
	require.NoError(t, err)
	require.True(t, a.Defined)
	require.False(t, a.Bounded)
	require.Contains(t, a.Reason, "no interval")

	b, err := KrippendorffCodes([][]string{{"fall", "fall", ""}, {"cut", "fall"}, {"cut", "cut"}}, Options{})
	require.NoError(t, err)
	c, err := Krippendorff([][]float64{{1, 1}, {0, 1}, {0, 0}}, Nominal, Options{})
	require.NoError(t, err)
	require.Equal(t, c.Value, b.Value)
	order, table, missing, err := Table([]string{"b", "", "a"}, []string{"a", "a", "a"}, nil)
	require.NoError(t, err)
	require.Equal(t, []string{"a", "b"}, order)
	require.Equal(t, [][]int{{1, 0}, {1, 0}}, table)
	require.Equal(t, 1, missing)
	require.Equal(t, [][]float64{{1}}, Linear(1))
	require.Empty(t, Quadratic(-3))
}

func TestAgree_namesTheArgument(t *testing.T) {
	t.Parallel()
	ok := [][]int{{1, 2}, {3, 4}}
	for _, c := range []struct {
		name string
		err  error
	}{
		{"table", second(Cohen([][]int{{1}}, 0))},
		{"table[1]", second(Cohen([][]int{{1, 2}, {3}}, 0))},
		{"table[0][1]", second(Cohen([][]int{{1, -2}, {3, 1}}, 0))},
		{"level", second(Cohen(ok, 3))},
		{"weights", second(CohenWeighted(ok, nil, 0))},
		{"weights[1]", second(CohenWeighted(ok, [][]float64{{1, 0}, {1}}, 0))},
		{"weights[0][1]", second(CohenWeighted(ok, [][]float64{{1, math.NaN()}, {0, 1}}, 0))},
		{"weights[1][1]", second(CohenWeighted(ok, [][]float64{{1, 0}, {0, 0.5}}, 0))},
		{"counts[0]", second(Fleiss([][]int{{1}}))},
		{"counts[0]", second(Fleiss([][]int{{1, 0}}))},
		{"counts[1]", second(Fleiss([][]int{{1, 2}, {1, 1}}))},
		{"counts[1]", second(Fleiss([][]int{{1, 2}, {1}}))},
		{"counts[0][0]", second(Fleiss([][]int{{-1, 2}}))},
		{"units[0][1]", second(Krippendorff([][]float64{{1, math.Inf(1)}}, Nominal, Options{}))},
		{"units[0][0]", second(Krippendorff([][]float64{{-1, 1}}, Ratio, Options{}))},
		{"scale", second(Krippendorff(nil, "loud", Options{}))},
		{"draws", second(Krippendorff(nil, Nominal, Options{Draws: 5}))},
		{"level", second(Krippendorff(nil, Nominal, Options{Level: -1}))},
		{"second", fourth(Table([]string{"a"}, nil, nil))},
		{"item", fourth(Table([]string{"a"}, []string{"b"}, []string{"a"}))},
	} {
		require.ErrorIs(t, c.err, dist.ErrDomain)
		var d *dist.DomainError
		require.True(t, errors.As(c.err, &d))
		require.Equal(t, c.name, d.Arg)
	}
	many := make([]float64, 501)
	for i := range many {
		many[i] = float64(i)
	}
	_, err := Krippendorff([][]float64{many, {1, 2}}, Ordinal, Options{})
	require.ErrorContains(t, err, "group them first")
}

func second[T any](_ T, err error) error                 { return err }
func fourth[A, B, C any](_ A, _ B, _ C, err error) error { return err }

func FuzzAgreement(f *testing.F) {
	f.Add([]byte{3, 0, 1, 4, 9, 2, 6, 5, 3}, 1.0, "ordinal", uint64(1))
	f.Add([]byte{1, 1, 1, 1}, 1e-200, "ratio", uint64(2))
	f.Fuzz(func(t *testing.T, b []byte, unit float64, scale string, seed uint64) {
		k := int(math.Sqrt(float64(len(b))))
		table := make([][]int, k)
		weights := make([][]float64, k)
		for i := range table {
			for j := range k {
				table[i] = append(table[i], int(b[i*k+j]))
				w := float64(b[j*k+i]) / 255
				if i == j {
					w = 1
				}
				weights[i] = append(weights[i], w)
			}
		}
		var units [][]float64
		for i, x := range b {
			if x%3 == 0 || len(units) == 0 {
				units = append(units, nil)
			}
			units[len(units)-1] = append(units[len(units)-1], float64(b[i]>>3)*unit)
		}
		for _, get := range []func() (Kappa, error){
			func() (Kappa, error) { return Cohen(table, 0) },
			func() (Kappa, error) { return CohenWeighted(table, weights, 0.9) },
		} {
			got, err := get()
			if err != nil {
				require.ErrorIs(t, err, dist.ErrDomain)
				continue
			}
			for _, x := range []float64{got.Value, got.SE, got.SENull, got.ZNull, got.Lo, got.Hi, got.Observed, got.Expected} {
				require.False(t, math.IsNaN(x) || math.IsInf(x, 0), "%+v", got)
			}
		}
		if got, err := Fleiss(table); err == nil {
			for _, x := range []float64{got.Value, got.SENull, got.ZNull} {
				require.False(t, math.IsNaN(x) || math.IsInf(x, 0), "%+v", got)
			}
		}
		got, err := Krippendorff(units, Scale(scale), Options{Draws: 100, Seed: seed})
		if err != nil {
			require.ErrorIs(t, err, dist.ErrDomain)
			return
		}
		for _, x := range []float64{got.Value, got.Observed, got.Expected, got.Lo, got.Hi} {
			require.False(t, math.IsNaN(x) || math.IsInf(x, 0), "%+v", got)
		}
	})
}
