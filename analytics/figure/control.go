package figure

import (
	"fmt"
	"strings"
	"time"
)

// Observation is one point of a control chart or run chart.
type Observation struct {
	// Label names the point in full: "Mar 2024". It is written beside the
	// point when it is a signal, and heads its row in the table.
	Label string
	// Tick is the word under the axis, "Mar"; empty takes Label. Ticks are
	// thinned when there is no room for all.
	Tick string
	// Group is the second row under the axis, "2024", written once for
	// neighbours that share it; may be empty.
	Group string

	// Value is the plotted figure, in the chart's Unit.
	Value float64
	// Count is the number of events behind Value.
	Count float64
	// Exposure is the hours (or other base) behind Value; 0 when the chart
	// has none.
	Exposure float64

	// LCL and UCL are the limits for this point; drawn when HasLCL, HasUCL.
	LCL, UCL       float64
	HasLCL, HasUCL bool

	// Missing marks a point without a value: a gap is drawn, never a zero.
	Missing bool
	// Why says in two or three words what is missing; empty is "no hours".
	Why string
	// Provisional marks a value whose hours may still change.
	Provisional bool
	// Beyond marks a point beyond a limit.
	Beyond bool
	// Note replaces the words "count in exposure" beside a signal.
	Note string
}

// Level is a centre line over points First to Last, counted from 0, both
// included.
type Level struct {
	First, Last int
	Value       float64
}

// Run is a stretch of points, counted from 0, both ends included, on one side
// of the centre or otherwise too regular to be chance.
type Run struct {
	First, Last int
	// Text replaces "8 in a row".
	Text string
}

// Baseline is the stretch of points from which centre and limits were
// computed.
type Baseline struct {
	First, Last int
	// Text replaces "baseline Jan 2023 to Dec 2024".
	Text string
}

// Flag marks a point at which something was decided or redefined. The note
// goes into the margin of the page under the same number.
type Flag struct {
	At     int // point, from 0
	Number int
	Note   string // for the table; not drawn
}

// Control is a control chart: counts or rates in time, with a centre and
// limits for each point. A run chart is a Control without limits.
type Control struct {
	// Title names the chart for screen readers and the table.
	Title string
	// Unit is the quantity on the vertical axis with its unit: "lost-time
	// injuries per million hours".
	Unit string
	// CountName and ExposureName name the numerator and the denominator:
	// "lost-time injuries", "hours". Empty drops their columns.
	CountName, ExposureName string
	// PeriodName is what one point is: "month"; empty is "period".
	PeriodName string
	// CenterName is the word for the centre line; empty is "average".
	CenterName string
	// Method is the kind of chart and its limits, for the description:
	// "u chart, exact limits".
	Method string
	// Decimals of written values; zero chooses by size, negative writes whole
	// numbers.
	Decimals int

	Points   []Observation
	Center   []Level
	Baseline *Baseline
	Runs     []Run
	Flags    []Flag
}

// MonthLabel returns the Label, Tick and Group of a month: "Mar 2024", "Mar",
// "2024".
func MonthLabel(year int, month time.Month) (label, tick, group string) {
	if month < time.January || month > time.December {
		return fmt.Sprint(year), "", fmt.Sprint(year)
	}
	tick = month.String()[:3]
	group = fmt.Sprint(year)
	return tick + " " + group, tick, group
}

// shown tells whether a point has a value to draw. A value that is not finite
// is as good as missing.
func (o Observation) shown() bool { return !o.Missing && drawable(o.Value) }

func (o Observation) why() string {
	if o.Why != "" {
		return o.Why
	}
	if !o.Missing && !drawable(o.Value) {
		return "no value"
	}
	return "no hours"
}

func (o Observation) hasUCL() bool { return o.HasUCL && drawable(o.UCL) && !o.Missing }
func (o Observation) hasLCL() bool { return o.HasLCL && drawable(o.LCL) && !o.Missing }

// valid keeps a range of points within the chart.
func valid(first, last, n int) (int, int, bool) {
	if first < 0 {
		first = 0
	}
	if last > n-1 {
		last = n - 1
	}
	return first, last, first <= last
}

func (c Control) centerName() string { return or(c.CenterName, "average") }
func (c Control) periodName() string { return or(c.PeriodName, "period") }

func or(s, other string) string {
	if s != "" {
		return s
	}
	return other
}

// decimals returns the decimals of written values: enough for three figures
// of the typical value.
func (c Control) decimals() int {
	if c.Decimals != 0 {
		return min(max(0, c.Decimals), 12)
	}
	for i := len(c.Center) - 1; i >= 0; i-- {
		if v := c.Center[i].Value; drawable(v) && v != 0 {
			return min(Decimals(v), 4)
		}
	}
	m := 0.0
	for _, p := range c.Points {
		if p.shown() {
			m = maxf(m, p.Value)
		}
	}
	return min(Decimals(m), 4)
}

// facts returns the words beside a signal: "9 in 41,200 hours".
func (c Control) facts(o Observation) string {
	switch {
	case o.Note != "":
		return o.Note
	case c.CountName == "":
		return Number(o.Value, c.decimals())
	case c.ExposureName == "" || !(o.Exposure > 0):
		return Count(o.Count)
	}
	return Count(o.Count) + " in " + Count(o.Exposure) + " " + c.ExposureName
}

// about returns everything known of a point, for the pointer and the table.
func (c Control) about(o Observation) string {
	if !o.shown() {
		return o.Label + ": " + c.gapText(o)
	}
	s := o.Label + ": "
	if c.CountName != "" {
		s += c.facts(o) + ", "
	}
	s += strings.TrimSpace(Number(o.Value, c.decimals()) + " " + c.Unit)
	if m := c.remarks(o); m != "" {
		s += "; " + m
	}
	return s
}

// gapText says what is missing and, because events without hours must not
// vanish with the rate, how many there were: "no hours, 2 injuries".
func (c Control) gapText(o Observation) string {
	if c.CountName != "" && drawable(o.Count) && o.Count > 0 {
		return o.why() + ", " + Count(o.Count) + " " + c.CountName
	}
	return o.why()
}

// remarks lists what is special about a point.
func (c Control) remarks(o Observation) string {
	var r []string
	if !o.shown() {
		r = append(r, o.why())
	}
	if o.shown() && o.Beyond {
		switch {
		case o.hasUCL() && o.Value > o.UCL:
			r = append(r, "above the upper limit")
		case o.hasLCL() && o.Value < o.LCL:
			r = append(r, "below the lower limit")
		default:
			r = append(r, "beyond the limits")
		}
	}
	if o.Provisional {
		r = append(r, "provisional")
	}
	return strings.Join(r, ", ")
}

func (c Control) runText(r Run, first, last int) string {
	if r.Text != "" {
		return r.Text
	}
	return fmt.Sprintf("%d in a row", last-first+1)
}

func (c Control) baselineText(first, last int) string {
	if c.Baseline.Text != "" {
		return c.Baseline.Text
	}
	return fmt.Sprintf("baseline %s to %s", c.Points[first].Label, c.Points[last].Label)
}
