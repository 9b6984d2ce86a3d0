package published

import (
	"strings"

	"fairlead/analytics/spc"
)

// gapTopic is fixture 05: charts for rare events.
func gapTopic() topic {
	return topic{methods: map[string]Method{
		"t_chart":            timeChart,
		"g_chart":            wholeGapChart,
		"imr":                individuals,
		"imr_transformed":    individuals,
		"exponential_limits": exponentialLimits,
		"open_gap":           openGap,
	}}
}

func gapsOf(values []float64) []spc.Gap {
	gaps := make([]spc.Gap, len(values))
	for i, v := range values {
		gaps[i].Length = v
	}
	return gaps
}

// transformed raises times to a power and returns them with their individuals
// chart.
func transformed(times []float64, power float64) ([]spc.Gap, []float64, spc.MovingRange, error) {
	gaps, ys := gapsOf(times), make([]float64, len(times))
	for i, t := range times {
		ys[i] = pow(t, power)
		gaps[i].Length = ys[i]
	}
	m, err := spc.MovingRangeOf(ys)
	return gaps, ys, m, err
}

func timeChart(in *Inputs) (Result, error) {
	times := in.Floats("times", "hours", "days", "days_since_last")
	tail, power := in.FloatOr("tail", 0.00135), in.FloatOr("power", 1/3.6)
	if err := in.Err(); err != nil {
		return nil, err
	}
	ygaps, ys, m, err := transformed(times, power)
	if err != nil {
		return nil, err
	}
	y, err := spc.NewI(ygaps, spc.GapOptions{Rules: []spc.Rule{}})
	if err != nil {
		return nil, err
	}
	nelson, err := spc.NewT(gapsOf(times), spc.GapOptions{Limits: spc.Sigma, Power: power})
	if err != nil {
		return nil, err
	}
	exact, err := spc.NewT(gapsOf(times), spc.GapOptions{Tail: tail})
	if err != nil {
		return nil, err
	}
	out := Result{"transformed": ys, "y_mr_bar": m.Mean, "out": beyond(nelson), "exp_out": beyond(exact)}
	if len(times) > 0 {
		p, q, e := y.Points[0], nelson.Points[0], exact.Points[0]
		out["y_center"], out["y_ucl"], out["y_lcl"] = p.Center, p.UCL, p.LCL
		out["center"], out["ucl"], out["lcl"] = q.Center, q.UCL, q.LCL
		out["ucl_screened"] = pow(p.Center+3*m.SigmaScreened(), 1/power)
		out["exp_mean"], out["exp_median"] = e.Sigma, e.Center
		out["exp_lower"], out["exp_upper"] = e.LCL, e.UCL
	}
	return out, nil
}

func wholeGapChart(in *Inputs) (Result, error) {
	gaps := gapsOf(in.Floats("gaps", "days_since_last", "cases"))
	minimum, tail := in.IntOr("minimum", 0), in.FloatOr("tail", 0.00135)
	if err := in.Err(); err != nil {
		return nil, err
	}
	c, err := spc.NewG(gaps, spc.GapOptions{Limits: spc.Sigma, Minimum: minimum, Tail: tail})
	if err != nil {
		return nil, err
	}
	l, err := spc.GeometricLimits(c.Center, minimum, 3, tail)
	if err != nil {
		return nil, err
	}
	return Result{
		"center": l.Mean, "sigma": l.Sigma, "ucl": l.SigmaUpper, "lcl": l.SigmaLower, "p_hat": l.P, "out": beyond(c),
		"prob_center_median": l.Median, "prob_upper": l.Upper, "prob_lower": l.Lower,
	}, nil
}

func individuals(in *Inputs) (Result, error) {
	values := in.Floats("times", "values", "hours")
	power := in.FloatOr("power", 1)
	if err := in.Err(); err != nil {
		return nil, err
	}
	gaps, ys, m, err := transformed(values, power)
	if err != nil {
		return nil, err
	}
	c, err := spc.NewI(gaps, spc.GapOptions{})
	if err != nil {
		return nil, err
	}
	out := Result{"mr_bar": m.Mean, "sigma": m.Sigma(), "center": c.Center, "transformed": ys, "out": beyond(c)}
	if len(ys) > 0 {
		out["ucl"], out["lcl"], out["first_transformed"] = c.Points[0].UCL, c.Points[0].LCL, ys[0]
	}
	return out, nil
}

func exponentialLimits(in *Inputs) (Result, error) {
	l, err := spc.ExponentialLimits(in.Float("mean"), in.FloatOr("tail", 0.00135))
	if err != nil {
		return nil, err
	}
	return Result{"lower": l.Lower, "median": l.Center, "upper": l.Upper}, nil
}

// openGap reads the open gap from an input named for its unit: open_gap_days.
func openGap(in *Inputs) (Result, error) {
	open := 0.0
	found := false
	for name := range in.values {
		if strings.HasPrefix(name, "open_gap") {
			open, found = in.Float(name), true
		}
	}
	if !found {
		in.fail("open_gap", "is missing")
	}
	mean := in.Float("mean")
	if err := in.Err(); err != nil {
		return nil, err
	}
	p, err := spc.OpenGap(mean, open)
	if err != nil {
		return nil, err
	}
	return Result{"p_longer": p}, nil
}
