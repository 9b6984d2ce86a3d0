package rate

import (
	"math"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/mathext"
)

// Method names how an interval for a count was worked out. Its text is meant
// for print.
type Method string

// The methods offered. Garwood is the default everywhere: it never covers less
// than it says. MidP is shorter and covers its level on average; Byar is a
// close approximation that fits on a pocket calculator; Wilson treats every
// hour as a trial, as some published work on injury rates does.
const (
	Garwood Method = "exact (Garwood)"
	MidP    Method = "mid-P"
	Byar    Method = "Byar's approximation"
	Wilson  Method = "Wilson, each unit of exposure a trial"
)

// tables remembers exact limits for the levels that pages ask for. Levels
// outside it are computed each time, so that a stranger's level cannot grow
// the memory of a server.
var tables = newTables(0.90, 0.95, 0.99, 0.998)

func newTables(levels ...float64) map[float64]*dist.CountLimits {
	m := make(map[float64]*dist.CountLimits, len(levels))
	for _, l := range levels {
		t, err := dist.NewCountLimits(l)
		if err != nil {
			panic(err) // the levels are written above
		}
		m[l] = t
	}
	return m
}

// PoissonInterval returns the exact central interval for a Poisson mean.
//
// count is in cases, in [0, 1e9); level is the coverage, at least 0.5 and below
// 1. Bounds are in cases: divide by exposure for a rate. count 0 gives lo = 0
// exactly and keeps the two-sided level, so that hi is 3.689 at 95 %. Other
// arguments return an error that wraps [dist.ErrDomain].
//
// Garwood (1936), Biometrika 28:437-442.
func PoissonInterval(count int, level float64) (lo, hi float64, err error) {
	if t, ok := tables[level]; ok {
		return t.Interval(count)
	}
	if err := dist.CheckLevel("rate: poisson interval", level); err != nil {
		return 0, 0, err
	}
	tail := (1 - level) / 2
	if lo, err = dist.GarwoodLower(count, tail); err != nil {
		return 0, 0, err
	}
	hi, err = dist.GarwoodUpper(count, tail)
	return lo, hi, err
}

// MidPInterval returns the mid-P interval for a Poisson mean: the means at
// which the probability of a more extreme count plus half that of the count
// itself equals (1-level)/2. Arguments and units are those of
// [PoissonInterval]; count 0 gives lo = 0 and hi = -log(1-level).
//
// Cohen and Yang (1994), Statistics in Medicine 13:2189-2204.
func MidPInterval(count int, level float64) (lo, hi float64, err error) {
	exLo, exHi, err := PoissonInterval(count, level)
	if err != nil {
		return 0, 0, err
	}
	tail := (1 - level) / 2
	// The mid-P limits lie inside the exact ones, which bracket the roots.
	if count > 0 {
		f := func(t float64) float64 {
			above, at := tailAndTerm(count, math.Exp(t), true)
			return math.Log(above-at/2) - math.Log(tail)
		}
		t, err := dist.Root(f, math.Log(exLo), math.Log(float64(count)+1), 0)
		if err != nil {
			return 0, 0, err
		}
		lo = math.Exp(t)
	}
	f := func(t float64) float64 {
		below, at := tailAndTerm(count, math.Exp(t), false)
		return math.Log(tail) - math.Log(below-at/2)
	}
	t, err := dist.Root(f, math.Log(max(float64(count), 1e-9)), math.Log(exHi)+1e-12, 0)
	if err != nil {
		return 0, 0, err
	}
	return lo, math.Exp(t), nil
}

// tailAndTerm returns the tail probability that includes count, on the side
// asked for, and the probability of count itself.
func tailAndTerm(count int, mean float64, upper bool) (tail, term float64) {
	d, err := dist.NewPoisson(min(mean, dist.MaxMean))
	if err != nil {
		return 0, 0
	}
	if upper {
		return d.Survival(count), d.PMF(count)
	}
	return d.CDF(count), d.PMF(count)
}

// ByarInterval returns Byar's approximation to the exact interval. Arguments
// and units are those of [PoissonInterval]; count 0 gives lo = 0, and a lower
// limit that would fall below zero is zero.
//
// Rothman and Boice (1979), Epidemiologic Analysis with a Programmable
// Calculator; Breslow and Day (1987), Statistical Methods in Cancer Research
// II, p. 69.
func ByarInterval(count int, level float64) (lo, hi float64, err error) {
	const op = "rate: byar interval"
	if err := dist.CheckLevel(op, level); err != nil {
		return 0, 0, err
	}
	if count < 0 || count >= dist.MaxMean {
		return 0, 0, dist.BadInt(op, "count", count, "must be at least 0 and below 1e9 cases")
	}
	z := -mathext.NormalQuantile((1 - level) / 2)
	if x := float64(count); count > 0 {
		w := 1 - 1/(9*x) - z/(3*math.Sqrt(x))
		lo = x * math.Pow(max(0, w), 3)
	}
	y := float64(count) + 1
	w := 1 - 1/(9*y) + z/(3*math.Sqrt(y))
	return lo, y * w * w * w, nil
}

// WilsonInterval returns Wilson's score interval for a proportion, as bounds in
// cases: divide by trials for the proportion. trials is a number of equal
// chances of a case, at least count and above 0; taking hours worked as trials
// gives the interval some published work prints beside injury rates. count must
// be in [0, 1e9) and level at least 0.5 and below 1. Other arguments return an
// error that wraps [dist.ErrDomain].
//
// Wilson (1927), Journal of the American Statistical Association 22:209-212.
func WilsonInterval(count int, trials, level float64) (lo, hi float64, err error) {
	const op = "rate: wilson interval"
	if err := dist.CheckLevel(op, level); err != nil {
		return 0, 0, err
	}
	if count < 0 || count >= dist.MaxMean {
		return 0, 0, dist.BadInt(op, "count", count, "must be at least 0 and below 1e9 cases")
	}
	x := float64(count)
	if !(trials > 0 && trials >= x && trials <= math.MaxFloat64/1e6) {
		return 0, 0, dist.BadFloat(op, "trials", trials, "must be above 0 and at least the number of cases")
	}
	z := -mathext.NormalQuantile((1 - level) / 2)
	k := 1 + z*z/trials
	mid := x + z*z/2
	half := z * math.Sqrt(x*(1-x/trials)+z*z/4)
	// At either end the difference below is zero but for rounding.
	if count > 0 {
		lo = max(0, (mid-half)/k)
	}
	return lo, min(trials, (mid+half)/k), nil
}

// interval dispatches on the method. exposure matters to Wilson alone.
func (m Method) interval(count int, exposure, level float64) (lo, hi float64, err error) {
	switch m {
	case Garwood, "":
		return PoissonInterval(count, level)
	case MidP:
		return MidPInterval(count, level)
	case Byar:
		return ByarInterval(count, level)
	case Wilson:
		return WilsonInterval(count, exposure, level)
	}
	return 0, 0, &dist.DomainError{Op: "rate: interval", Arg: "method", Value: string(m), Need: "must be one of the methods of package rate"}
}
