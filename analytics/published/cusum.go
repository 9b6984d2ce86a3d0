package published

import (
	"strings"

	"fairlead/analytics/spc"
)

// cusumTopic is fixture 08: CUSUM and EWMA of Poisson counts.
func cusumTopic() topic {
	return topic{methods: map[string]Method{
		"cusum_arl":           cusumARL,
		"cusum_k":             cusumK,
		"cusum_path":          cusumPath,
		"cusum_path_exposure": cusumPath,
		"ewma_path":           ewmaPath,
		"ewma_arl":            ewmaARL,
	}}
}

// designOf reads a CUSUM. A signal "C > h" on a grid of 1/m is the same as
// "C >= h + 1/m".
func designOf(in *Inputs) spc.CusumDesign {
	d := spc.CusumDesign{Side: spc.Above, DecisionInterval: in.Float("h"), HeadStart: in.FloatOr("start", 0)}
	if in.Has("k_per_unit") {
		d.Reference = in.Float("k_per_unit")
	} else {
		d.Reference = in.Float("k")
	}
	if in.StringOr("side", "upper") == "lower" {
		d.Side = spc.Below
	}
	if s := in.StringOr("signal", ""); strings.Contains(s, ">") && !strings.Contains(s, ">=") {
		m := 1.0
		for ; m < 200; m++ {
			if isWhole(d.Reference*m) && isWhole(d.DecisionInterval*m) && isWhole(d.HeadStart*m) {
				break
			}
		}
		d.DecisionInterval += 1 / m
	}
	return d
}

func isWhole(x float64) bool {
	const near = 1e-9
	f := x - float64(int(x+0.5))
	return f < near && f > -near
}

func cusumARL(in *Inputs) (Result, error) {
	d, mean := designOf(in), in.Float("mean")
	if err := in.Err(); err != nil {
		return nil, err
	}
	arl, err := d.ARL(mean)
	if err != nil {
		return nil, err
	}
	return Result{"arl": arl}, nil
}

func cusumK(in *Inputs) (Result, error) {
	k, err := spc.CusumReference(in.Float("acceptable"), in.Float("rejectable"))
	if err != nil {
		return nil, err
	}
	return Result{"k": k}, nil
}

func cusumPath(in *Inputs) (Result, error) {
	o := spc.CusumOptions{CusumDesign: designOf(in)}
	weighed := in.HasList("exposure", "sizes")
	periods, _ := periodsOf(in, weighed)
	if weighed {
		o.Base = in.FloatOr("per", 1)
	}
	if err := in.Err(); err != nil {
		return nil, err
	}
	c, err := spc.NewCusum(periods, o)
	if err != nil {
		return nil, err
	}
	path, signals := make([]float64, len(c.Points)), make([]int, len(c.Signals))
	for i, p := range c.Points {
		path[i] = p.Value
	}
	for i, s := range c.Signals {
		signals[i] = s + 1
	}
	out := Result{"path": path, "signals": signals, "first_signal": nil}
	if c.First >= 0 {
		out["first_signal"] = c.First + 1
	}
	return out, nil
}

func ewmaPath(in *Inputs) (Result, error) {
	o := spc.EwmaOptions{EwmaDesign: spc.EwmaDesign{Mean: in.Float("mu0"), Lambda: in.Float("lambda"), Width: in.Float("A")}}
	weighed := in.HasList("exposure", "sizes")
	periods, _ := periodsOf(in, weighed)
	if weighed {
		o.Base = in.FloatOr("per", 1)
	}
	if err := in.Err(); err != nil {
		return nil, err
	}
	lower, upper, _, err := o.Limits()
	if err != nil {
		return nil, err
	}
	c, err := spc.NewEwma(periods, o)
	if err != nil {
		return nil, err
	}
	o.Asymptotic = true
	a, err := spc.NewEwma(periods, o)
	if err != nil {
		return nil, err
	}
	r := chartResult(c)
	return Result{
		"path": r["u"], "ucl": r["ucl"], "lcl": r["lcl"], "asymptotic_ucl": upper, "asymptotic_lcl": lower,
		"signals_time_varying": beyond(c), "signals_asymptotic": beyond(a),
	}, nil
}

func ewmaARL(in *Inputs) (Result, error) {
	d := spc.EwmaDesign{Mean: in.Float("mu0"), Lambda: in.Float("lambda"), Width: in.Float("A")}
	mean, start := in.Float("mean"), in.FloatOr("start", d.Mean)
	if err := in.Err(); err != nil {
		return nil, err
	}
	arl, err := d.ARL(mean, start)
	if err != nil {
		return nil, err
	}
	return Result{"arl": arl, "arl_transfer": arl, "arl_classic_101_states": arl}, nil
}
