package compute

import (
	"errors"
	"math/rand/v2"
	"testing"

	"fairlead/analytics/spc"

	"gonum.org/v1/gonum/stat/distuv"
)

// board draws the series of a whole board: counts and hours of months for each
// measure at each place.
func board(places, measures, months int) [][]spc.Period {
	rng := rand.New(rand.NewPCG(7, 7))
	out := make([][]spc.Period, 0, places*measures)
	for range places {
		hours := 3000 + 30_000*rng.Float64()
		for m := range measures {
			rate := []float64{0.2, 1, 3, 8, 20}[m%5] / 20_000
			series := make([]spc.Period, months)
			for t := range series {
				e := hours * (0.8 + 0.4*rng.Float64())
				series[t] = spc.Period{Count: int(distuv.Poisson{Lambda: rate * e, Src: rng}.Rand()), Exposure: e}
			}
			out = append(out, series)
		}
	}
	return out
}

// BenchmarkBoard draws up every chart of 200 workplaces by 20 measures over 60
// months: the chart chosen by the data, its limits, and its rules.
func BenchmarkBoard(b *testing.B) {
	series := board(200, 20, 60)
	b.ResetTimer()
	for b.Loop() {
		for _, s := range series {
			ch, err := spc.Choose(s, 1e6)
			if err != nil {
				b.Fatal(err)
			}
			if ch.Options.Kind == "" {
				continue
			}
			if _, err := spc.New(s, ch.Options); err != nil {
				b.Fatal(err)
			}
		}
	}
}

// BenchmarkBoard_exact does the same with exact limits on every chart.
func BenchmarkBoard_exact(b *testing.B) {
	series := board(200, 20, 60)
	b.ResetTimer()
	for b.Loop() {
		for _, s := range series {
			if _, err := spc.New(s, spc.Options{Kind: spc.U, Limits: spc.Probability, Base: 1e6}); err != nil {
				b.Fatal(err)
			}
		}
	}
}

// BenchmarkLimits runs the hardest inputs the table takes: the bound on what one
// caller can ask of a server.
func BenchmarkLimits(b *testing.B) {
	for name, in := range worst(rand.New(rand.NewPCG(1, 2))) {
		b.Run(name[0]+"/"+name[1], func(b *testing.B) {
			for b.Loop() {
				r, err := Run(name[0], in)
				var refused *InputError
				if errors.As(err, &refused) {
					continue // a refusal may take work as well
				}
				if err != nil {
					b.Fatal(err)
				}
				if _, err := r.SVG(figureWide, "x"); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
