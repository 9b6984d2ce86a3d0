package published

import (
	"fairlead/analytics/spc"
)

// chartTopic is fixture 03: c- and u-charts.
func chartTopic() topic {
	return topic{methods: map[string]Method{
		"c_chart":        controlChart(spc.C),
		"c_chart_frozen": controlChart(spc.C),
		"u_chart":        controlChart(spc.U),
		"u_chart_frozen": controlChart(spc.U),
		"p_chart":        controlChart(spc.P),
		"np_chart":       controlChart(spc.NP),
	}}
}

func controlChart(kind spc.Kind) Method {
	return func(in *Inputs) (Result, error) {
		periods, base := periodsOf(in, kind != spc.C)
		o := spc.Options{Kind: kind, Base: base, Exclude: in.Positions("exclude"), Sigmas: in.FloatOr("sigmas", 0)}
		if in.Has("center") {
			center := in.Float("center")
			o.Center = &center
		}
		if err := in.Err(); err != nil {
			return nil, err
		}
		c, err := spc.New(periods, o)
		if err != nil {
			return nil, err
		}
		return chartResult(c), nil
	}
}

// periodsOf reads counts and, when they are wanted, sizes.
func periodsOf(in *Inputs, sized bool) (periods []spc.Period, base float64) {
	counts := in.Ints("counts", "count", "n", "events", "incidents", "complaints", "seen")
	var sizes []float64
	if sized {
		sizes = in.Floats("sizes", "exposure", "units", "hours", "days", "size", "sales", "attended")
		if len(sizes) == 1 && len(counts) > 1 {
			// One size stands for all periods.
			for len(sizes) < len(counts) {
				sizes = append(sizes, sizes[0])
			}
		}
		if len(sizes) != len(counts) {
			in.fail("sizes", "has %d values for %d counts", len(sizes), len(counts))
			return nil, 0
		}
	}
	for i, n := range counts {
		p := spc.Period{Count: n}
		if sized {
			p.Exposure = sizes[i]
		}
		periods = append(periods, p)
	}
	return periods, in.FloatOr("per", 0)
}

// chartResult gives limits as one number for a chart of steady limits and as a
// list where they follow the exposure.
func chartResult(c spc.Chart) Result {
	var ucl, lcl, raw, values []float64
	for _, p := range c.Points {
		ucl = append(ucl, p.UCL)
		lcl = append(lcl, p.LCL)
		raw = append(raw, 2*p.Center-p.UCL)
		values = append(values, p.Value)
	}
	out := Result{"center": c.Center, "out": beyond(c), "u": values, "p": values}
	switch c.Kind {
	case spc.C, spc.NP:
		if len(ucl) > 0 {
			out["center"], out["ucl"], out["lcl"], out["raw_lcl"] = c.Points[0].Center, ucl[0], lcl[0], raw[0]
		}
	default:
		out["ucl"], out["lcl"], out["raw_lcl"] = ucl, lcl, raw
	}
	return out
}

// beyond lists the points outside a limit, from 1.
func beyond(c spc.Chart) []int {
	out := []int{}
	for i, p := range c.Points {
		if p.Beyond != spc.Within {
			out = append(out, i+1)
		}
	}
	return out
}
