package agree

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"fairlead/analytics/dist"
)

// Scale says what kind of difference there is between two codes.
type Scale string

// The scales of measurement.
const (
	Nominal  Scale = "nominal"  // same or not: mechanism, agency
	Ordinal  Scale = "ordinal"  // ranks: severity, strength of a control
	Distance Scale = "interval" // differences: dates, temperatures
	Ratio    Scale = "ratio"    // proportions, with a true zero: days lost
)

// Options choose the interval of alpha. The zero value asks for the 95 %
// interval from 2,000 draws with seed 0.
type Options struct {
	Level float64 // two-sided; 0 means 0.95
	Draws int     // bootstrap draws; 0 means 2,000; at most 100,000
	Seed  uint64  // the same seed gives the same interval
}

// Alpha is Krippendorff's agreement beyond chance. Its figures mean something
// only when Defined is true, and its interval only when Bounded is.
type Alpha struct {
	Scale    Scale
	Units    int     // coded at least twice
	Single   int     // coded once or not at all: they tell nothing about agreement
	Pairable float64 // codes that can be compared with another of the same unit
	Observed float64 // mean disagreement within units
	Expected float64 // mean disagreement between any two codes
	Value    float64 // 1 - Observed/Expected
	Lo, Hi   float64
	Bounded  bool
	Level    float64
	Draws    int
	Seed     uint64
	Method   string
	Defined  bool
	Reason   string // why alpha or its interval is undefined; otherwise empty
}

const (
	maxCode       = 1e12
	maxCategories = 500 // the expected disagreement looks at every pair, in every draw
)

// KrippendorffCodes is [Krippendorff] on the nominal scale for codes written as
// text. An empty code is a missing one.
func KrippendorffCodes(units [][]string, o Options) (Alpha, error) {
	number := map[string]float64{}
	values := make([][]float64, len(units))
	for i, u := range units {
		for _, c := range u {
			if c == "" {
				continue
			}
			if _, ok := number[c]; !ok {
				number[c] = float64(len(number))
			}
			values[i] = append(values[i], number[c])
		}
	}
	return Krippendorff(values, Nominal, o)
}

// Krippendorff returns the agreement of any number of coders, who need not all
// have coded everything: units[i] holds the codes given to unit i, by whomever
// and in any order. Units with fewer than two codes tell nothing and are left
// out.
//
// The interval is a percentile bootstrap over units, which are what was sampled;
// it is left out when more than one draw in twenty has no alpha (then nearly all
// codes are the same). Without two units coded twice, or when all codes are the
// same, alpha is undefined.
//
// Codes must be finite, at most 1e12 in size, and not negative on the ratio
// scale, and not of more than 500 different values unless nominal; otherwise the
// error wraps [dist.ErrDomain].
//
// Krippendorff (2011), Computing Krippendorff's alpha-reliability.
func Krippendorff(units [][]float64, scale Scale, o Options) (Alpha, error) {
	const op = "agree: krippendorff"
	if o.Level == 0 {
		o.Level = defaultLevel
	}
	if o.Draws == 0 {
		o.Draws = 2000
	}
	if err := dist.CheckLevel(op, o.Level); err != nil {
		return Alpha{}, err
	}
	if o.Draws < 100 || o.Draws > 100_000 {
		return Alpha{}, dist.BadInt(op, "draws", o.Draws, "must be at least 100 and at most 100,000")
	}
	switch scale {
	case Nominal, Ordinal, Distance, Ratio:
	default:
		return Alpha{}, &dist.DomainError{Op: op, Arg: "scale", Value: string(scale), Need: "must be nominal, ordinal, interval or ratio"}
	}
	c, single, err := newCoding(op, units, scale)
	if err != nil {
		return Alpha{}, err
	}
	a := Alpha{Scale: scale, Units: len(c.units), Single: single, Level: o.Level, Draws: o.Draws, Seed: o.Seed,
		Method: fmt.Sprintf("Krippendorff's alpha, %s scale, bootstrap over units with %d draws", scale, o.Draws)}
	if len(c.units) < 2 {
		a.Reason = "fewer than two units were coded twice: there is no agreement to measure"
		return a, nil
	}
	all := make([]int, len(c.units))
	for i := range all {
		all[i] = i
	}
	var ok bool
	if a.Pairable, a.Observed, a.Expected, ok = c.disagreement(all); !ok {
		a.Reason = "all codes are the same: there is nothing to agree on beyond chance"
		return a, nil
	}
	a.Value, a.Defined = 1-a.Observed/a.Expected, true
	c.bootstrap(&a)
	return a, nil
}

// bootstrap draws units with replacement and takes percentiles of alpha.
func (c *coding) bootstrap(a *Alpha) {
	r := rand.New(rand.NewPCG(a.Seed, 0x616c706861))
	drawn := make([]int, len(c.units))
	values := make([]float64, 0, a.Draws)
	for range a.Draws {
		for i := range drawn {
			drawn[i] = r.IntN(len(c.units))
		}
		if _, do, de, ok := c.disagreement(drawn); ok {
			values = append(values, 1-do/de)
		}
	}
	if len(values) < a.Draws*19/20 {
		a.Reason = "nearly all codes are the same: no interval can be worked out"
		return
	}
	slices.Sort(values)
	tail := (1 - a.Level) / 2 * float64(len(values)+1)
	lo := max(0, int(math.Floor(tail))-1)
	a.Lo, a.Hi, a.Bounded = values[lo], values[len(values)-1-lo], true
	// The interval of one and the same value would claim certainty.
	if a.Lo == a.Hi {
		a.Bounded, a.Reason = false, "no unit differs from the others: no interval can be worked out"
	}
}

// coding holds the codes of units as counts by category.
type coding struct {
	scale  Scale
	values []float64 // categories in ascending order
	units  [][]tally // only those with two codes or more
	margin []float64 // codes in each category, of the units drawn
	below  []float64 // codes in lower categories
}

type tally struct {
	category int
	count    float64
}

func newCoding(op string, units [][]float64, scale Scale) (c *coding, single int, err error) {
	c = &coding{scale: scale}
	for i, u := range units {
		for j, v := range u {
			arg := fmt.Sprintf("units[%d][%d]", i, j)
			if !(math.Abs(v) <= maxCode) {
				return nil, 0, dist.BadFloat(op, arg, v, "must be a finite number of at most 1e12 in size")
			}
			if scale == Ratio && v < 0 {
				return nil, 0, dist.BadFloat(op, arg, v, "must not be negative on the ratio scale")
			}
		}
		if len(u) < 2 {
			single++
			continue
		}
		c.values = append(c.values, u...)
	}
	slices.Sort(c.values)
	c.values = slices.Compact(c.values)
	k := len(c.values)
	if k > maxCategories && scale != Nominal {
		return nil, 0, dist.BadInt(op, "units", k, "different codes are more than 500: group them first")
	}
	c.margin, c.below = make([]float64, k), make([]float64, k)
	for _, u := range units {
		if len(u) < 2 {
			continue
		}
		count := map[int]float64{}
		for _, v := range u {
			at, _ := slices.BinarySearch(c.values, v)
			count[at]++
		}
		var t []tally
		for cat, n := range count {
			t = append(t, tally{cat, n})
		}
		slices.SortFunc(t, func(a, b tally) int { return a.category - b.category })
		c.units = append(c.units, t)
	}
	return c, single, nil
}

// disagreement returns the number of pairable codes and the mean disagreement
// within units and overall, over the units of the given indices. ok is false
// when there is no disagreement at all between any two codes.
func (c *coding) disagreement(index []int) (n, observed, expected float64, ok bool) {
	clear(c.margin)
	for _, i := range index {
		for _, t := range c.units[i] {
			c.margin[t.category] += t.count
		}
	}
	for i, m := range c.margin {
		c.below[i] = n
		n += m
	}
	for _, i := range index {
		u := c.units[i]
		m, sum := 0.0, 0.0
		for x, a := range u {
			m += a.count
			for _, b := range u[x+1:] {
				sum += 2 * a.count * b.count * c.difference(a.category, b.category)
			}
		}
		observed += sum / (m - 1)
	}
	if c.scale == Nominal {
		expected = n * n
		for _, m := range c.margin {
			expected -= m * m
		}
	} else {
		for a, m := range c.margin {
			if m == 0 {
				continue
			}
			for b := a + 1; b < len(c.margin); b++ {
				expected += 2 * m * c.margin[b] * c.difference(a, b)
			}
		}
	}
	observed /= n
	expected /= n * (n - 1)
	return n, observed, expected, expected > 0
}

// difference is the squared difference between two categories, a below b.
func (c *coding) difference(a, b int) float64 {
	var d float64
	switch c.scale {
	case Nominal:
		return 1
	case Ordinal:
		// All codes from a to b, those of the two ends by half.
		d = c.below[b] - c.below[a] + (c.margin[b]-c.margin[a])/2
	case Distance:
		d = c.values[b] - c.values[a]
	default:
		d = (c.values[b] - c.values[a]) / (c.values[a] + c.values[b])
	}
	return d * d
}
