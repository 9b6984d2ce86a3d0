package published

import (
	"math"

	"fairlead/analytics/spc"
)

// laneyTopic is fixture 06: Laney's charts and the dispersion test.
func laneyTopic() topic {
	return topic{methods: map[string]Method{
		"laney_u":         laney(spc.LaneyU, spc.U),
		"laney_p":         laney(spc.LaneyP, spc.P),
		"dispersion_test": dispersionTest,
	}}
}

func pow(x, y float64) float64 { return math.Pow(x, y) }

func laney(kind, plain spc.Kind) Method {
	return func(in *Inputs) (Result, error) {
		periods, base := periodsOf(in, true)
		if err := in.Err(); err != nil {
			return nil, err
		}
		c, err := spc.New(periods, spc.Options{Kind: kind, Base: base})
		if err != nil {
			return nil, err
		}
		p, err := spc.New(periods, spc.Options{Kind: plain, Base: base})
		if err != nil {
			return nil, err
		}
		z := make([]float64, len(p.Points))
		for i, q := range p.Points {
			z[i] = q.Z
		}
		m, err := spc.MovingRangeOf(z)
		if err != nil {
			return nil, err
		}
		out := chartResult(c)
		out["z"], out["plain_out"] = z, beyond(p)
		out["sigma_z_exact_d2"], out["sigma_z_screened"] = m.SigmaExact(), m.SigmaScreened()
		out["dispersion_chi2"], out["dispersion_df"], out["dispersion_p"] = p.Dispersion.Statistic, p.Dispersion.DF, p.Dispersion.P
		if len(c.Phases) > 0 {
			out["sigma_z"] = c.Phases[0].SigmaZ
		}
		return out, nil
	}
}

func dispersionTest(in *Inputs) (Result, error) {
	counts := in.Ints("counts", "count", "n", "events")
	var sizes []float64
	if in.HasList("sizes", "exposure", "hours", "days") {
		sizes = in.Floats("sizes", "exposure", "hours", "days")
		if len(sizes) != len(counts) {
			in.fail("sizes", "has %d values for %d counts", len(sizes), len(counts))
		}
	}
	if err := in.Err(); err != nil {
		return nil, err
	}
	d, err := spc.DispersionTest(counts, sizes)
	if err != nil {
		return nil, err
	}
	return Result{"variance_ratio": d.Ratio, "statistic": d.Statistic, "df": d.DF, "p": d.P, "sigma_z": d.SigmaZ}, nil
}
