package spc

import (
	"math"

	"fairlead/analytics/dist"
)

// CusumOptions say how a CUSUM is run along a series.
type CusumOptions struct {
	CusumDesign
	// Base, when above 0, weighs periods by exposure: Reference is then per Base
	// units of it, so that a month of long hours may have more cases. 0 treats
	// every period alike.
	Base float64
	// Restart sets the sum back to the head start after a signal. Otherwise it
	// runs on, and stays above the decision interval as long as the change lasts.
	Restart bool
}

// CusumChart is a CUSUM run along a series.
type CusumChart struct {
	CusumOptions
	Points  []CusumPoint
	Signals []int // points at or past the decision interval, from 0
	// Since is, for the first signal, the point after the sum last stood at 0:
	// the likeliest start of the change. Both are -1 without a signal.
	First, Since int
	Method       string
}

// CusumPoint is one point of a CUSUM.
type CusumPoint struct {
	Label    string
	Count    int
	Exposure float64
	Value    float64 // the sum
	Expected float64 // reference times exposure: what the sum compares with
	Beyond   bool    // at or past the decision interval
	Missing  bool    // nothing known: the sum stands still
}

// NewCusum runs a CUSUM along the periods. A period that is missing, or that has
// no exposure where exposure is weighed, leaves the sum as it was. The upper
// sum is max(0, sum + count - reference*exposure), the lower
// max(0, sum + reference*exposure - count); a signal is a sum of at least the
// decision interval. Arguments outside their domain return an error that wraps
// [dist.ErrDomain].
//
// Lucas (1985), Technometrics 27:129-144; Hawkins and Olwell (1998), Cumulative
// Sum Charts and Charting for Quality Improvement, chapter 5, on exposure.
func NewCusum(periods []Period, o CusumOptions) (CusumChart, error) {
	const op = "spc: cusum"
	if err := o.check(op); err != nil {
		return CusumChart{}, err
	}
	if !(o.Base >= 0 && o.Base <= maxExposure) || (o.Base > 0 && o.Base < 1e-9) {
		return CusumChart{}, dist.BadFloat(op, "base", o.Base, "must be 0, or at least 1e-9 and at most 1e15 units")
	}
	kind := C
	if o.Base > 0 {
		kind = U
	}
	if err := (Options{Kind: kind}).check(periods); err != nil {
		return CusumChart{}, err
	}
	c := CusumChart{CusumOptions: o, First: -1, Since: -1, Method: o.words()}
	sum, since := o.HeadStart, 0
	for i, p := range periods {
		q := CusumPoint{Label: p.Label, Count: p.Count, Exposure: p.Exposure, Value: sum}
		weight := 1.0
		if o.Base > 0 {
			weight = p.Exposure / o.Base
		}
		if p.Missing || weight == 0 {
			q.Missing = true
			c.Points = append(c.Points, q)
			continue
		}
		q.Expected = o.Reference * weight
		step := float64(p.Count) - q.Expected
		if o.Side == Below {
			step = -step
		}
		if sum = max(0, sum+step); sum == 0 {
			since = i + 1
		}
		q.Value = sum
		// Sums of rounded references may fall short of h by a rounding.
		if q.Beyond = sum >= o.DecisionInterval-1e-12*max(1, o.DecisionInterval); q.Beyond {
			c.Signals = append(c.Signals, i)
			if c.First < 0 {
				c.First, c.Since = i, since
			}
			if o.Restart {
				sum, since = o.HeadStart, i+1
			}
		}
		c.Points = append(c.Points, q)
	}
	return c, nil
}

// words puts the design into words.
func (o CusumOptions) words() string {
	s := "CUSUM for a rise"
	if o.Side == Below {
		s = "CUSUM for a fall"
	}
	s += ", reference " + Number(o.Reference) + " cases"
	if o.Base > 0 {
		s += " per " + Number(o.Base)
	} else {
		s += " a period"
	}
	s += ", decision interval " + Number(o.DecisionInterval)
	if o.HeadStart > 0 {
		s += ", head start " + Number(o.HeadStart)
	}
	if o.ARL0 > 0 {
		s += "; a false alarm every " + Number(math.Round(o.ARL0)) + " periods on average"
	}
	return s
}
