package sites

import (
	"fmt"
	"math"

	"fairlead/analytics/dist"
)

// Place is one place before and after a change.
type Place struct {
	Label          string
	Before, After  int     // cases
	BeforeExposure float64 // hours worked
	AfterExposure  float64
}

// EffectOptions choose what an effect is judged by. The zero value asks for 95 %
// limits and for how long a halving would take to show with a chance of 80 %.
type EffectOptions struct {
	Level float64 // two-sided; 0 means 0.95
	Hoped float64 // the ratio that was hoped for, stated beforehand; 0 means 0.5
	Power float64 // 0 means 0.8
}

// Verdict is what a before-and-after comparison says, in words for print.
type Verdict string

// The verdicts.
const (
	Fewer     Verdict = "fewer than there would have been: more than chance"
	More      Verdict = "more than there would have been: more than chance"
	CannotSay Verdict = "cannot tell yet"
)

// Effect is what a change did at some places, judged against others like them.
// Its figures mean something only when Defined is true.
type Effect struct {
	Observed int     // cases after the change at the places that changed
	Expected float64 // what there would have been without it
	// Uncertainty is the standard deviation of Expected in proportion to it.
	Uncertainty float64
	Ratio       float64 // Observed over Expected
	Lo, Hi      float64
	PValue      float64 // two-sided, of no effect; agrees with the limits
	Level       float64
	Verdict     Verdict

	// Naive is the plain ratio of the rate after to the rate before at the places
	// that changed, for comparison; 0 when there was no case before.
	Naive float64
	// Luck is the factor by which their rate was to be expected to change by
	// itself, having been picked in a good or a bad spell: below 1 after a bad one.
	Luck float64
	// Trend is the factor by which the rate of the other places changed, their own
	// luck allowed for.
	Trend float64
	// Wobble is how differently the other places changed beyond chance, as a
	// standard deviation of the logarithm: 0.2 is about 20 % either way. Above 0 it
	// has widened the limits.
	Wobble float64
	Wait   Wait
	Method string
	Note   string // what a reader must know; often empty

	Defined bool
	Reason  string // why it is undefined; empty when it is defined
}

// Wait says how long it would take to see the effect that was hoped for.
type Wait struct {
	Hoped float64
	Power float64 // chance that Times shows it, or that the record so far does when Times is 1
	Times float64 // length of the record after the change, as a multiple of that so far
	More  float64 // exposure still needed at the places that changed
	Never bool    // too little is known of before for any length to do
}

// minGroup is the fewest places from which the spread of true rates, and so the
// luck of those that were picked, can be learnt.
const minGroup = 8

// BeforeAfter judges a change at some places by what happened at others like
// them. What there would have been without the change is worked out in three
// steps: each place's rate before is drawn towards the group's, because places
// are mostly picked for action after a bad spell and would have had fewer cases
// anyway; that is carried over to the hours after; and multiplied by how the
// other places changed in the same time. All three leave uncertainty, and the
// limits allow for it, as for places changing each in its own way.
//
// With fewer than eight places in all the luck of those picked cannot be judged;
// then the plain rates are compared and Note says so. Without cases or hours at
// the other places on both sides, or hours at those that changed, the result is
// undefined.
//
// Counts must be in [0, 1e6] and exposures 0 or in [1e-9, 1e15], with at most
// 10,000 places on either side; o.Hoped in (0, 10] and not 1; o.Power in [0.05,
// 0.99]; otherwise the error wraps [dist.ErrDomain].
//
// Hauer (1997), Observational Before-After Studies in Road Safety, for empirical
// Bayes with a comparison group; limits by the negative binomial distribution
// that a Poisson count around an uncertain expectation has.
func BeforeAfter(changed, others []Place, o EffectOptions) (Effect, error) {
	const op = "sites: before and after"
	if err := o.complete(op); err != nil {
		return Effect{}, err
	}
	c, err := newContrast(op, changed, others)
	if err != nil {
		return Effect{}, err
	}
	e := Effect{Level: o.Level, Verdict: CannotSay, Observed: c.changed.after, Wait: Wait{Hoped: o.Hoped}}
	if e.Reason = c.obstacle(); e.Reason != "" {
		return e, nil
	}
	if err := c.fit(); err != nil {
		return Effect{}, fmt.Errorf("%s: %w", op, err)
	}
	f := c.forecast()
	e.Expected, e.Uncertainty = f.expected, math.Sqrt(f.fixed+f.running)
	e.Trend, e.Wobble, e.Method, e.Note = f.trend, f.wobble, c.method, c.note
	e.Luck = c.luck
	if c.changed.before > 0 {
		e.Naive = float64(c.changed.after) / c.changed.afterExposure / (float64(c.changed.before) / c.changed.beforeExposure)
	}
	if !finite(e.Expected) || !(e.Expected >= 1e-6 && e.Expected <= 1e8) || !finite(e.Naive) {
		return Effect{}, dist.BadFloat(op, "after exposure", c.changed.afterExposure, "is too far from the hours before: between 1e-6 and 1e8 cases must be expected")
	}
	if err := e.judge(f); err != nil {
		return Effect{}, fmt.Errorf("%s: %w", op, err)
	}
	if e.Wait, err = f.wait(o); err != nil {
		return Effect{}, fmt.Errorf("%s: %w", op, err)
	}
	e.Wait.More = (e.Wait.Times - 1) * c.changed.afterExposure
	if e.Wait.Never {
		e.Wait.More = 0
	}
	e.Defined = true
	return e, nil
}

func (o *EffectOptions) complete(op string) error {
	if o.Level == 0 {
		o.Level = defaultLevel
	}
	if o.Hoped == 0 {
		o.Hoped = 0.5
	}
	if o.Power == 0 {
		o.Power = 0.8
	}
	if err := dist.CheckLevel(op, o.Level); err != nil {
		return err
	}
	if !(o.Hoped > 0 && o.Hoped <= 10) || o.Hoped == 1 {
		return dist.BadFloat(op, "hoped", o.Hoped, "must be above 0, at most 10 and not 1, such as 0.5 for a halving")
	}
	if !(o.Power >= 0.05 && o.Power <= 0.99) {
		return dist.BadFloat(op, "power", o.Power, "must be at least 0.05 and at most 0.99, such as 0.8")
	}
	return nil
}

// judge fills ratio, limits and verdict. Around an uncertain expectation a
// Poisson count is negative binomial; the limits are the ratios at which the
// count seen has probability (1 - level)/2 in one tail.
func (e *Effect) judge(f forecast) error {
	tail, x, size := (1-e.Level)/2, float64(e.Observed), f.size(1)
	e.Ratio = x / e.Expected
	if e.Observed > 0 {
		_, odds, err := dist.BetaQuantile(x, size, tail)
		if err != nil {
			return err
		}
		e.Lo = size * odds / e.Expected
	}
	_, odds, err := dist.BetaQuantile(size, x+1, tail)
	if err != nil {
		return err
	}
	if e.Hi = size / odds / e.Expected; !(e.Hi <= 1e9) {
		e.Hi = 1e9 // nothing is known: no ratio of rates is as large
	}
	d, err := dist.NewNegativeBinomialMean(e.Expected, size)
	if err != nil {
		return err
	}
	less, more := d.CDF(e.Observed), d.Survival(e.Observed)
	e.PValue = min(1, 2*min(less, more))
	switch {
	case less <= tail:
		e.Verdict = Fewer
	case more <= tail:
		e.Verdict = More
	}
	return nil
}
