package page

import (
	"fmt"
	"math"
	"slices"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
)

// marks are the shapes of a chart.
type marks struct{ point, beyond, centre, lower, upper, between, top, middle, bottom string }

var (
	drawn = marks{"○", "◆", "│", "[", "]", "·", "╮", "│", "╯"}
	typed = marks{"o", "#", "|", "[", "]", ".", "\\", "|", "/"}
)

// Chart writes a control chart, a month to a line, oldest first: the count,
// the hours, the figure, and where it lies between its limits. What the chart
// says stands above it in one sentence, signals beside their months.
func (p *Page) Chart(c *pb.Chart) {
	p.Strong(c.GetDefinition().GetTitle() + ", " + c.GetScope())
	p.Para(c.GetUnit()+". "+sentence(c.GetKindReason()), 0)
	p.Blank()
	p.Strong(c.GetSentence())
	p.Blank()
	k := drawn
	if p.ASCII {
		k = typed
	}
	r := newRuler(c, p.Width)
	if len(c.GetPoints()) > 0 {
		p.line(r.head())
		p.line(r.axis())
	}
	notes := r.notes(c, k)
	for i, pt := range c.GetPoints() {
		p.line(strings.TrimRight(r.row(pt, k, notes[i]), " "))
	}
	p.legend(c, k)
	if c.GetMethod() != "" {
		p.Para("How: "+c.GetMethod(), 0)
	}
	for _, w := range c.GetCautions() {
		p.Item(w)
	}
	p.Linef("As at change %d.", c.GetSequenceNumber())
}

func sentence(s string) string {
	if s == "" {
		return ""
	}
	return strings.ToUpper(s[:1]) + strings.TrimSuffix(s[1:], ".") + "."
}

func (p *Page) legend(c *pb.Chart, k marks) {
	p.Blank()
	if c.Center != nil {
		p.line(fmt.Sprintf("%s centre %s   %s %s limits   %s month   %s month beyond a limit", k.centre, p.plain(Rate(c.GetCenter())), k.lower, k.upper, k.point, k.beyond))
		if c.GetBaselineStartMonth() != "" {
			p.line(fmt.Sprintf("b baseline, %s to %s: centre and limits come from these months", p.plain(c.GetBaselineStartMonth()), p.plain(c.GetBaselineEndMonth())))
		}
	}
	if slices.ContainsFunc(c.GetPoints(), func(x *pb.ChartPoint) bool { return x.GetProvisional() }) {
		p.line("~ hours may still change")
	}
	for _, s := range c.GetSignals() {
		when := s.GetStartMonth()
		if s.GetEndMonth() != "" && s.GetEndMonth() != s.GetStartMonth() {
			when += " to " + s.GetEndMonth()
		}
		text := when + ": " + s.GetRule()
		if s.GetChance() != "" {
			text += " (" + s.GetChance() + ")"
		}
		p.Item(text)
	}
}

// ruler lays a chart out.
type ruler struct {
	count, exposure, value int // widths of the columns; exposure 0: none
	strip                  int // width of the drawing
	max                    float64
	step                   float64
	center                 *float64
}

func newRuler(c *pb.Chart, width int) ruler {
	r := ruler{count: len("count"), value: len("figure")}
	hours := false
	for _, pt := range c.GetPoints() {
		r.count = max(r.count, wide(Count(float64(pt.GetCount()))))
		if pt.Exposure != nil && pt.GetExposure() != 1 {
			hours = true
		}
		for _, v := range []*float64{pt.Value, pt.Upper} {
			if v != nil && !math.IsInf(*v, 0) && !math.IsNaN(*v) {
				r.max = math.Max(r.max, *v)
			}
		}
		if pt.Value != nil {
			r.value = max(r.value, wide(Rate(pt.GetValue())))
		}
	}
	if r.center = c.Center; r.center != nil {
		r.max = math.Max(r.max, c.GetCenter())
	}
	if hours {
		r.exposure = len("exposure")
		for _, pt := range c.GetPoints() {
			if pt.Exposure != nil {
				r.exposure = max(r.exposure, wide(Count(pt.GetExposure())))
			}
		}
	}
	// No rate of anything is outside this; a scale must be drawable all the
	// same.
	r.max = math.Min(r.max, 1e15)
	if !(r.max > 1e-12) {
		r.max = 1
	}
	r.step = nice(r.max / 5)
	r.max = math.Ceil(r.max/r.step-1e-9) * r.step
	const room = 12 // for the bracket and the first words of a note
	r.strip = min(60, max(20, width-r.before()-room))
	return r
}

// nice returns a step of 1, 2 or 5 times a power of ten, at least as large.
func nice(v float64) float64 {
	base := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if base*m >= v*(1-1e-9) {
			return base * m
		}
	}
	return base * 10
}

// before is how many columns stand before the drawing.
func (r ruler) before() int {
	n := len("2026-03") + 3 + r.count + 2 + r.value + 2
	if r.exposure > 0 {
		n += r.exposure + 2
	}
	return n
}

func right(s string, n int) string { return strings.Repeat(" ", max(0, n-wide(s))) + s }

func (r ruler) columns(month, mark, count, exposure, value string) string {
	s := fmt.Sprintf("%-7s %-1s ", month, mark) + right(count, r.count) + "  "
	if r.exposure > 0 {
		s += right(exposure, r.exposure) + "  "
	}
	return s + right(value, r.value) + "  "
}

// head writes the names of the columns and the numbers of the axis.
func (r ruler) head() string {
	line := []rune(strings.Repeat(" ", r.strip+8))
	free := 0
	for i := 0; ; i++ {
		v := float64(i) * r.step
		if v > r.max*(1+1e-9) {
			break
		}
		label := []rune(strings.ReplaceAll(fmt.Sprintf("%.6g", v), "-", ""))
		at := max(0, r.at(v)-len(label)/2)
		if at < free {
			continue
		}
		copy(line[at:], label)
		free = at + len(label) + 1
	}
	return strings.TrimRight(r.columns("month", "", "count", "exposure", "figure")+string(line), " ")
}

// axis writes the line under the numbers.
func (r ruler) axis() string {
	line := []byte(strings.Repeat("-", r.strip))
	for i := 0; float64(i)*r.step <= r.max*(1+1e-9); i++ {
		line[r.at(float64(i)*r.step)] = '+'
	}
	return strings.Repeat(" ", r.before()) + string(line)
}

// at returns the column of a figure within the drawing.
func (r ruler) at(v float64) int {
	if !(v > 0) {
		return 0
	}
	return int(math.Round(math.Min(v/r.max, 1) * float64(r.strip-1)))
}

func (r ruler) row(pt *pb.ChartPoint, k marks, note string) string {
	mark := ""
	if pt.GetBaseline() {
		mark = "b"
	}
	if pt.GetProvisional() {
		mark = "~"
	}
	if pt.Value == nil {
		return r.columns(Clean(pt.GetMonth()), mark, Count(float64(pt.GetCount())), "none", "-") +
			r.pad("no hours") + " " + note
	}
	cells := strings.Split(strings.Repeat(" ", r.strip), "")
	if pt.Lower != nil || pt.Upper != nil {
		lo, hi := 0, r.strip-1
		if pt.Lower != nil {
			lo = r.at(pt.GetLower())
		}
		if pt.Upper != nil {
			hi = r.at(pt.GetUpper())
		}
		for i := lo; i <= hi; i++ {
			cells[i] = k.between
		}
		if pt.Upper != nil {
			cells[hi] = k.upper
		}
		if pt.Lower != nil {
			cells[lo] = k.lower
		}
	}
	return r.columns(Clean(pt.GetMonth()), mark, Count(float64(pt.GetCount())), Count(pt.GetExposure()), Rate(pt.GetValue())) +
		strings.Join(r.over(cells, pt, k), "") + " " + note
}

// over draws the centre and the point over the limits.
func (r ruler) over(cells []string, pt *pb.ChartPoint, k marks) []string {
	if r.center != nil {
		cells[r.at(*r.center)] = k.centre
	}
	x := r.at(pt.GetValue())
	cells[x] = k.point
	if pt.GetBeyond() {
		cells[x] = k.beyond
	}
	return cells
}

func (r ruler) pad(s string) string { return s + strings.Repeat(" ", max(0, r.strip-wide(s))) }

// notes returns, for each point, the bracket of a run and what to say beside
// it. Of overlapping patterns the first has the bracket; all are listed below
// the chart.
func (r ruler) notes(c *pb.Chart, k marks) []string {
	out := make([]string, len(c.GetPoints()))
	for _, s := range c.GetSignals() {
		first, last := -1, -1
		for i, pt := range c.GetPoints() {
			if pt.GetMonth() >= s.GetStartMonth() && pt.GetMonth() <= max(s.GetEndMonth(), s.GetStartMonth()) {
				if first < 0 {
					first = i
				}
				last = i
			}
		}
		if first < 0 {
			continue
		}
		for i := first; i <= last; i++ {
			if out[i] != "" {
				continue
			}
			switch {
			case first == last:
				out[i] = Clean(s.GetRule())
			case i == first:
				out[i] = k.top + " " + Clean(s.GetRule())
			case i == last:
				out[i] = k.bottom
			default:
				out[i] = k.middle
			}
		}
	}
	return out
}
