package change

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// ratesReference is where the public series lie when this checkout stands
// beside the data it was developed with; they are not shipped.
const ratesReference = "../../../shared/data/rates_reference"

// Van drivers killed in Great Britain, 1969 to 1984, with kilometres driven,
// before and after the seat-belt law of February 1983: Harvey and Durbin
// (1986), Journal of the Royal Statistical Society A 149:187-227. Durbin and
// Koopman (1997), Biometrika 84:669-684, report a fall of 24 % (from memory).
// The expected values are R 4.2.2, stats::glm(VanKilled ~ law + t + two waves +
// offset(log(kms)), poisson), and Student's quantile with 185 degrees.
func TestInterrupted_seatBelts(t *testing.T) {
	t.Parallel()
	f, err := os.Open(filepath.Join(ratesReference, "uk_road_casualties_seatbelts.csv"))
	if err != nil {
		t.Skip("the public series are not beside this checkout: the seat-belt series was not run")
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	var killed, position []int
	var kms []float64
	for i, row := range rows[1:] {
		n, err := strconv.Atoi(row[7])
		require.NoError(t, err)
		k, err := strconv.ParseFloat(row[5], 64)
		require.NoError(t, err)
		killed, kms, position = append(killed, n), append(kms, k), append(position, i)
	}
	s, err := Interrupted(killed, kms, Interruption{At: 169, Trend: true, Position: position})
	require.NoError(t, err)
	require.True(t, s.Defined, s.Reason)
	c, ok := s.Fit.Coefficient("change")
	require.True(t, ok)
	require.InEpsilon(t, -0.25468740925595251, c.Value, 1e-9)
	require.InEpsilon(t, 0.109252580220264156, c.SE, 1e-9)
	require.InEpsilon(t, 173.669202458116530, s.Fit.Deviance, 1e-10)
	require.InEpsilon(t, 0.894421141309478, s.Dispersion, 1e-9)
	require.InEpsilon(t, 0.624859445761283, s.Lo, 1e-8)
	require.InEpsilon(t, 0.775158767549396, s.Ratio, 1e-8)
	require.InEpsilon(t, 0.961610037240680, s.Hi, 1e-8)
	require.InEpsilon(t, 0.0208212872270473, s.PValue, 1e-7)
	require.InEpsilon(t, 153.516937409105, s.Expected, 1e-8)
	require.True(t, s.Lo < 0.76 && 0.76 < s.Hi)
}

// interrupted makes 24 months of about nine cases, a season, and a change by
// the given factor after month 14; spread makes months differ beyond chance.
func interrupted(r *rand.Rand, factor float64, spread bool) (counts []int, hours []float64, position []int) {
	for i := range 36 {
		h := 45_000 + 10_000*r.Float64()
		m := h / 1e6 * 180 * (1 + 0.3*math.Sin(float64(i)*math.Pi/6))
		if i >= 20 {
			m *= factor
		}
		if spread {
			m *= (r.ExpFloat64() + r.ExpFloat64() + r.ExpFloat64() + r.ExpFloat64()) / 4
		}
		counts, hours, position = append(counts, poissonDraw(r, m)), append(hours, h), append(position, i)
	}
	return counts, hours, position
}

// With a planted halving the interval holds it; with nothing planted the test
// cries wolf in about one of twenty, in spread counts too.
func TestInterrupted_simulated(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(10, 3))
	const trials = 600
	var hold, alarm, alarmSpread, seen int
	for range trials {
		for _, c := range []struct {
			factor float64
			spread bool
		}{{0.5, false}, {1, false}, {1, true}} {
			counts, hours, position := interrupted(r, c.factor, c.spread)
			s, err := Interrupted(counts, hours, Interruption{At: 20, Position: position, Harmonics: 1})
			require.NoError(t, err)
			require.True(t, s.Defined, s.Reason)
			switch {
			case c.factor != 1:
				if s.Lo <= 0.5 && 0.5 <= s.Hi {
					hold++
				}
				if s.PValue < 0.05 {
					seen++
				}
			case s.PValue < 0.05 && c.spread:
				alarmSpread++
			case s.PValue < 0.05:
				alarm++
			}
			require.Equal(t, s.PValue < 0.05, s.Lo > 1 || s.Hi < 1, "interval and p-value agree")
		}
	}
	t.Logf("halving: held %.1f %%, seen %.1f %%; nothing: alarms %.1f %%, in spread counts %.1f %%", pct(hold, trials), pct(seen, trials), pct(alarm, trials), pct(alarmSpread, trials))
	require.InDelta(t, 95, pct(hold, trials), 3)
	require.Greater(t, pct(seen, trials), 95.0)
	require.Less(t, pct(alarm, trials), 7.5)
	require.Less(t, pct(alarmSpread, trials), 9.0)
}

func pct(n, of int) float64 { return 100 * float64(n) / float64(of) }

func TestInterrupted_reasons(t *testing.T) {
	t.Parallel()
	s, err := Interrupted([]int{1, 2, 0, 0}, nil, Interruption{At: 2})
	require.NoError(t, err)
	require.False(t, s.Defined)
	require.Contains(t, s.Reason, "no case")
	s, err = Interrupted([]int{0, 0, 3, 4}, []float64{0, 0, 1, 1}, Interruption{At: 2})
	require.NoError(t, err)
	require.False(t, s.Defined)
	require.Contains(t, s.Reason, "no hours")
	s, err = Interrupted([]int{3, 4}, nil, Interruption{At: 1})
	require.NoError(t, err)
	require.False(t, s.Defined)
	require.Contains(t, s.Reason, "as many coefficients as periods")

	// A level change alone is the ratio of the two rates.
	s, err = Interrupted([]int{10, 14, 5, 4, 3}, []float64{2, 2, 1, 1, 2}, Interruption{At: 2})
	require.NoError(t, err)
	require.True(t, s.Defined)
	require.InEpsilon(t, (12.0/4)/(24.0/4), s.Ratio, 1e-9)
	require.InEpsilon(t, 24, s.Expected, 1e-9)
	require.Equal(t, Stretch{2, 24, 4}, s.Before)

	// A bend is found where one was built in.
	counts := []int{}
	for i := range 40 {
		counts = append(counts, int(math.Round(300*math.Exp(-0.05*float64(max(0, i-20))))))
	}
	s, err = Interrupted(counts, nil, Interruption{At: 20, Trend: true, Slope: true})
	require.NoError(t, err)
	require.InDelta(t, math.Exp(-0.05), s.Bend, 0.003)
	require.InDelta(t, 1, s.Ratio, 0.03)
	require.True(t, s.BendLo < s.Bend && s.Bend < s.BendHi)

	// A slow wave that the model leaves out shows as memory.
	for i := range counts {
		counts[i] = int(100 + 60*math.Sin(float64(i)/3))
	}
	s, err = Interrupted(counts, nil, Interruption{At: 20})
	require.NoError(t, err)
	require.Greater(t, s.Memory, 0.5)
	require.Contains(t, s.Note, "too narrow")
}
