package published

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"fairlead/analytics/survive"
)

// survivalTopic is fixture 14: Kaplan-Meier and days to close.
func survivalTopic() topic {
	return topic{methods: map[string]Method{
		"kaplan_meier": kaplanMeier,
		"logrank":      logRank,
	}}
}

// observations reads times and whether each ended. Where ends are coded 1 and 2,
// 2 is the end, as R reads them.
func observations(in *Inputs) []survive.Observation {
	times := in.Floats("time", "times", "days", "weeks", "months")
	ends := in.Floats("event", "events", "status", "closed", "cens", "done")
	if len(ends) != len(times) {
		in.fail("event", "has %d values for %d times", len(ends), len(times))
		return nil
	}
	end := 1.0
	for _, e := range ends {
		if e == 2 {
			end = 2
		}
	}
	out := make([]survive.Observation, len(times))
	for i := range times {
		out[i] = survive.Observation{Time: times[i], Done: ends[i] == end}
	}
	return out
}

func kaplanMeier(in *Inputs) (Result, error) {
	items, level := observations(in), in.FloatOr("conf", 0.95)
	if err := in.Err(); err != nil {
		return nil, err
	}
	out := Result{}
	for prefix, interval := range map[string]survive.Interval{"plain": survive.Plain, "log": survive.Log, "loglog": survive.LogLog} {
		c, err := survive.KaplanMeier(items, survive.Options{Level: level, Interval: interval})
		if err != nil {
			return nil, err
		}
		if !c.Defined {
			return nil, undefined(c.Reason)
		}
		steps(out, prefix, c)
		m := c.Median()
		out["median_"+prefix+"_lower"] = maybe(m.Lo, m.HasLo)
		out["median_"+prefix+"_upper"] = maybe(m.Hi, m.HasHi)
		if interval != survive.LogLog {
			continue
		}
		out["median"] = maybe(m.Time, m.HasTime)
		var quartiles []any
		for _, share := range []float64{0.25, 0.5, 0.75} {
			q, err := c.Quantile(share)
			if err != nil {
				return nil, err
			}
			quartiles = append(quartiles, maybe(q.Time, q.HasTime))
		}
		out["quartiles"], out["rmean_limit"] = quartiles, c.Last
		if out["rmean"], err = c.RestrictedMean(c.Last); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// steps puts a curve under the names of the fixtures.
func steps(out Result, prefix string, c survive.Curve) {
	time, survival := []float64{}, []float64{}
	risk, events := []int{}, []int{}
	se, lo, hi := []any{}, []any{}, []any{}
	for _, s := range c.Steps {
		time, survival = append(time, s.Time), append(survival, s.Survival)
		risk, events = append(risk, s.AtRisk), append(events, s.Done)
		se, lo, hi = append(se, maybe(s.SE, s.Bounded)), append(lo, maybe(s.Lo, s.Bounded)), append(hi, maybe(s.Hi, s.Bounded))
	}
	out["time"], out["at_risk"], out["events"], out["survival"], out["greenwood_se"] = time, risk, events, survival, se
	out[prefix+"_lower"], out[prefix+"_upper"] = lo, hi
}

func maybe(x float64, ok bool) any {
	if !ok {
		return nil
	}
	return x
}

func logRank(in *Inputs) (Result, error) {
	items := observations(in)
	labels := in.groups()
	if len(labels) != len(items) {
		in.fail("group", "has %d labels for %d items", len(labels), len(items))
	}
	if err := in.Err(); err != nil {
		return nil, err
	}
	names := slices.Clone(labels)
	slices.SortFunc(names, asFactor)
	names = slices.Compact(names)
	groups := make([][]survive.Observation, len(names))
	for i, l := range labels {
		g := slices.Index(names, l)
		groups[g] = append(groups[g], items[i])
	}
	plain, err := survive.Compare(groups, survive.LogRank)
	if err != nil {
		return nil, err
	}
	if !plain.Defined {
		return nil, undefined(plain.Reason)
	}
	peto, err := survive.Compare(groups, survive.PetoPrentice)
	if err != nil {
		return nil, err
	}
	return Result{
		"chi2": plain.Statistic, "df": plain.DF, "p": plain.PValue, "observed": plain.Observed, "expected": plain.Expected,
		"peto_prentice_chi2": peto.Statistic, "peto_prentice_p": peto.PValue,
	}, nil
}

// groups returns the group of every item: the input, a column of a usual name,
// or the one column of the data file that holds words.
func (in *Inputs) groups() []string {
	for _, name := range []string{"group", "groups", "treat", "arm", "priority", "site", "crew"} {
		if _, ok := in.values[name]; ok {
			return in.Texts(name)
		}
		if t := in.Table(); t != nil {
			if cells, ok := t.Strings(name); ok {
				return cells
			}
		}
	}
	if t := in.Table(); t != nil {
		for _, name := range t.Header {
			if _, numbers := t.Floats(name); !numbers {
				if cells, ok := t.Strings(name); ok {
					return cells
				}
			}
		}
	}
	in.fail("group", "is missing")
	return nil
}

// asFactor is the order of levels: numbers by size, else words by their letters
// whatever their case.
func asFactor(a, b string) int {
	x, err1 := strconv.ParseFloat(a, 64)
	y, err2 := strconv.ParseFloat(b, 64)
	if err1 == nil && err2 == nil {
		return cmp.Compare(x, y)
	}
	if c := strings.Compare(strings.ToLower(a), strings.ToLower(b)); c != 0 {
		return c
	}
	return strings.Compare(a, b)
}
