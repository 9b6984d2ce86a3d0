package sites

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

func poissonDraw(r *rand.Rand, mean float64) int {
	n := 0
	for sum := r.ExpFloat64(); sum <= mean; sum += r.ExpFloat64() {
		n++
	}
	return n
}

// gammaDraw returns a gamma variate with whole shape and mean 1.
func gammaDraw(r *rand.Rand, shape int) float64 {
	sum := 0.0
	for range shape {
		sum += r.ExpFloat64()
	}
	return sum / float64(shape)
}

func pct(n, of int) float64 { return 100 * float64(n) / float64(of) }

// crewsOf makes crews of different size whose true rates spread with the given
// gamma shape (0: all alike) about 60 reports per 100,000 hours.
func crewsOf(r *rand.Rand, n, shape int, months float64) []Site {
	out := make([]Site, n)
	for i := range out {
		hours := months * 160 * float64(4+r.IntN(12))
		rate := 60.0 / 100_000
		if shape > 0 {
			rate *= gammaDraw(r, shape)
		}
		out[i] = Site{Count: poissonDraw(r, rate*hours), Exposure: hours}
	}
	return out
}

// When no crew is silent, a list raises an alarm in at most one of twenty,
// whether the crews are alike or differ among themselves, be they 6 or 20. A
// crew that tells one in ten is found, and the number of months it takes is
// known.
func TestSilent_simulated(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(11, 1))
	const trials = 120
	for _, c := range []struct{ crews, shape int }{{6, 0}, {20, 0}, {6, 3}, {20, 3}, {20, 8}} {
		alarms := 0
		for range trials {
			s, err := Silent(crewsOf(r, c.crews, c.shape, 12), SilenceOptions{})
			require.NoError(t, err)
			require.True(t, s.Defined)
			if s.Flagged > 0 {
				alarms++
			}
		}
		t.Logf("%d crews, shape %d: a false alarm in %.1f %% of lists", c.crews, c.shape, pct(alarms, trials))
		require.Less(t, pct(alarms, trials), 5+3*100*math.Sqrt(0.05*0.95/trials))
	}
	for _, tells := range []float64{0, 0.1} {
		for _, months := range []float64{12, 24} {
			found, wrong, needed := 0, 0, 0.0
			for range trials / 2 {
				crews := crewsOf(r, 14, 8, months)
				crews[5].Exposure = months * 160 * 10
				crews[5].Count = poissonDraw(r, tells*60/100_000*crews[5].Exposure)
				s, err := Silent(crews, SilenceOptions{})
				require.NoError(t, err)
				needed += s.Crews[5].Needed / 1600 / (trials / 2)
				if s.Crews[5].Silent {
					found++
					s.Flagged--
				}
				if s.Flagged > 0 {
					wrong++
				}
			}
			t.Logf("a crew of ten that tells %.0f %%, after %2.0f months: found in %.0f %%, another flagged in %.1f %%; said to need %.0f months", 100*tells, months, pct(found, trials/2), pct(wrong, trials/2), needed)
			if months == 24 {
				require.Greater(t, pct(found, trials/2), 40.0)
			}
			require.Less(t, pct(wrong, trials/2), 5+3*100*math.Sqrt(0.05*0.95/(trials/2)))
		}
	}
}
