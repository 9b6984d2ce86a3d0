package figure

import (
	"math"
	"strconv"
)

// most is the largest magnitude that is drawn; beyond it a number is treated
// as not known, so that no scale overflows.
const most = 1e12

// drawable tells whether a value can stand on a scale.
func drawable(v float64) bool { return finite(v) && math.Abs(v) <= most }

// scale maps values lo..hi to positions a..b.
type scale struct{ lo, hi, a, b float64 }

// at returns the position of v, kept within the ends of the scale.
func (s scale) at(v float64) float64 {
	if !(s.hi > s.lo) {
		return s.a
	}
	t := (v - s.lo) / (s.hi - s.lo)
	return s.a + math.Max(0, math.Min(1, t))*(s.b-s.a)
}

// ticks are round numbers that cover a range.
type ticks struct {
	values   []float64
	decimals int
}

// niceTicks returns about n round steps of 1, 2 or 5 that cover lo..hi. Ticks
// of whole things never step below 1.
func niceTicks(lo, hi float64, n int, whole bool) ticks {
	if !(hi-lo > 1e-12) {
		hi = lo + 1
	}
	raw := (hi - lo) / float64(n)
	pow := math.Pow(10, math.Floor(math.Log10(raw)))
	step := pow * 10
	for _, m := range []float64{1, 2, 5} {
		if m*pow >= raw*0.999 {
			step = m * pow
			break
		}
	}
	if whole && step < 1 {
		step = 1
	}
	var t ticks
	if step < 1 {
		t.decimals = int(math.Ceil(-math.Log10(step) - 1e-9))
	}
	first, last := math.Floor(lo/step+1e-9), math.Ceil(hi/step-1e-9)
	for k := first; k <= last && len(t.values) < 50; k++ {
		t.values = append(t.values, k*step)
	}
	return t
}

func (t ticks) lo() float64 { return t.values[0] }
func (t ticks) hi() float64 { return t.values[len(t.values)-1] }

func (t ticks) labels() []string {
	out := make([]string, len(t.values))
	for i, v := range t.values {
		out[i] = Number(v, t.decimals)
	}
	return out
}

// period is the place of one point on a time axis.
type period struct{ label, tick, group string }

// tickPlan says which ticks get words, and which words.
type tickPlan struct {
	words []string // one per point, "" for none
}

// planTicks chooses the labels of a time axis: every one if there is room,
// else their initials when a second row (the year) gives the sense, else every
// second, third, sixth and so on, counted from the start of a group.
func planTicks(ps []period, dx, size float64) tickPlan {
	n := len(ps)
	anchor, grouped := 0, false
	for i := range ps {
		grouped = grouped || ps[i].group != ""
		if i > 0 && ps[i].group != ps[i-1].group && anchor == 0 {
			anchor = i
		}
	}
	if !grouped {
		// Plain numbers read best at multiples: 5, 10, 15, not 1, 6, 11.
		for i := range ps {
			if v, err := strconv.Atoi(ps[i].tick); err == nil && v%60 == 0 {
				anchor = i
				break
			}
		}
		if v, err := strconv.Atoi(firstTick(ps)); err == nil && anchor == 0 {
			anchor = ((-v)%60 + 60) % 60
		}
	}
	steps := []int{2, 3, 6, 12, 24, 36, 60, 120}
	if !grouped {
		steps = []int{5, 10, 20, 50, 100, 200, 500, 1000}
		if n <= 20 {
			steps = append([]int{2}, steps...)
		}
	}
	full := func(i int) string { return ps[i].tick }
	initial := func(i int) string {
		for _, r := range ps[i].tick {
			return string(r)
		}
		return ""
	}
	try := func(k int, word func(int) string) (tickPlan, bool) {
		plan := tickPlan{words: make([]string, n)}
		end := math.Inf(-1)
		for i := range ps {
			if ((i-anchor)%k+k)%k != 0 {
				continue
			}
			t := word(i)
			half := TextWidth(t, size, Regular) / 2
			x := (float64(i) + 0.5) * dx
			if x-half < end+0.3*size || 2*half > dx*float64(n) {
				return plan, false
			}
			end = x + half
			plan.words[i] = t
		}
		return plan, true
	}
	if p, ok := try(1, full); ok {
		return p
	}
	if grouped {
		if p, ok := try(1, initial); ok {
			return p
		}
	}
	for _, k := range steps {
		if p, ok := try(k, full); ok {
			return p
		}
	}
	// Nothing repeats well: name the two ends.
	p := tickPlan{words: make([]string, n)}
	if n > 0 {
		p.words[0] = fit(ps[0].tick, size, Regular, dx*float64(n)/2-size)
	}
	return p
}

func firstTick(ps []period) string {
	if len(ps) == 0 {
		return ""
	}
	return ps[0].tick
}

// span is a stretch of points that share a group label.
type span struct {
	first, last int
	text        string
}

func groupSpans(ps []period) []span {
	var out []span
	for i := range ps {
		if len(out) > 0 && ps[i].group == out[len(out)-1].text {
			out[len(out)-1].last = i
			continue
		}
		out = append(out, span{i, i, ps[i].group})
	}
	return out
}
