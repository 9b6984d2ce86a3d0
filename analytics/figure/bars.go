package figure

import (
	"fmt"
	"sort"
	"strings"
)

// Bar is one row of a Pareto chart.
type Bar struct {
	Label string
	Count float64
	// Hidden marks a count withheld because it is too small to show without
	// pointing at a person; Count is then ignored.
	Hidden bool
}

// Pareto is a chart of horizontal bars, longest first, with the running share
// in words. What is not known stands first and hatched, because a large
// unknown makes the order of the rest doubtful.
type Pareto struct {
	// Title names the chart for screen readers and the table.
	Title string
	// Unit is what is counted: "injuries".
	Unit string
	// RowName heads the first column of the table: "mechanism".
	RowName string
	// Unknown counts what has no code; UnknownName replaces "not known".
	Unknown     float64
	UnknownName string
	// InOrder keeps the bars as they were given, without running shares: for
	// what must not be ranked, such as places.
	InOrder bool
	// Other lumps the small rows that the caller left out, drawn last;
	// OtherName replaces "all others".
	Other     float64
	OtherName string
	// HiddenName replaces "too few to show".
	HiddenName string

	Bars []Bar
}

// paretoRow is a row in drawing order.
type paretoRow struct {
	label   string
	count   float64
	share   string // running share in words
	hidden  bool
	unknown bool
	other   bool
}

// rows puts the bars in order and works out the running share of what is
// known. Rows withheld have no share, and neither has anything after them.
func (c Pareto) rows() []paretoRow {
	bars := append([]Bar(nil), c.Bars...)
	for i := range bars {
		if !drawable(bars[i].Count) || bars[i].Count < 0 || bars[i].Hidden {
			bars[i].Hidden, bars[i].Count = true, 0
		}
	}
	if !c.InOrder {
		sort.SliceStable(bars, func(i, j int) bool { return bars[i].Count > bars[j].Count })
	}
	known, anyHidden := 0.0, false
	for _, b := range bars {
		known += b.Count
		anyHidden = anyHidden || b.Hidden
	}
	other := 0.0
	if drawable(c.Other) && c.Other > 0 {
		other = c.Other
	}
	known += other
	var out []paretoRow
	if drawable(c.Unknown) && c.Unknown > 0 {
		r := paretoRow{label: or(c.UnknownName, "not known"), count: c.Unknown, unknown: true}
		if !anyHidden {
			r.share = percent(c.Unknown, c.Unknown+known) + " of all"
		}
		out = append(out, r)
	}
	running := 0.0
	take := func(r paretoRow) {
		running += r.count
		if known > 0 && !anyHidden && !c.InOrder {
			r.share = percent(running, known)
		}
		out = append(out, r)
	}
	for _, b := range bars {
		take(paretoRow{label: b.Label, count: b.Count, hidden: b.Hidden})
	}
	if other > 0 {
		take(paretoRow{label: or(c.OtherName, "all others"), count: other, other: true})
	}
	return out
}

// percent writes a share as a whole per cent that never says 0 or 100 when it
// is not.
func percent(part, whole float64) string {
	if !(whole > 0) {
		return "–"
	}
	p := 100 * part / whole
	switch {
	case part > 0 && p < 1:
		return "under 1 %"
	case part < whole && p > 99:
		return "over 99 %"
	}
	return Number(p, 0) + " %"
}

func (c Pareto) hiddenName() string { return or(c.HiddenName, "too few to show") }

func (c Pareto) written(r paretoRow) string {
	if r.hidden {
		return c.hiddenName()
	}
	return Count(r.count)
}

// Table returns the facts of the chart without laying it out.
func (c Pareto) Table() Table {
	t := Table{Caption: c.Title}
	t.col(capitalise(or(c.RowName, "kind")), false)
	t.col(capitalise(or(c.Unit, "count")), true)
	if c.InOrder {
		for _, r := range c.rows() {
			t.Rows = append(t.Rows, []string{r.label, c.written(r)})
		}
		return t
	}
	t.col("Running share of the known", true)
	for _, r := range c.rows() {
		t.Rows = append(t.Rows, []string{r.label, c.written(r), or(r.share, "–")})
	}
	return t
}

func (c Pareto) describe() string {
	var s []string
	for _, r := range c.rows() {
		one := r.label + ": " + c.written(r)
		if r.share != "" && r.unknown {
			one += ", " + r.share
		} else if r.share != "" {
			one += ", running share " + r.share
		}
		s = append(s, one+".")
	}
	if len(s) == 0 {
		return "Nothing counted yet."
	}
	return strings.Join(s, " ")
}

// Layout places the chart for a size.
func (c Pareto) Layout(size Size) *Figure {
	size = size.sane()
	em := size.Text
	f := &Figure{Width: size.Width, Text: em, Title: c.Title, Desc: c.describe(), table: c.Table()}
	p := &plot{f: f, em: em}
	rows := c.rows()
	y := p.heading(c.Unit) + 0.5*em
	if len(rows) == 0 {
		f.add("", p.label(0, y+em, "Nothing counted yet.", Start, SoftInk))
		f.Height = y + 1.6*em
		return f
	}
	stacked := size.Width < 36*em
	shareWidth, count, lab, most := 0.0, 0.0, 0.0, 0.0
	anyShare := false
	for _, r := range rows {
		shareWidth = maxf(shareWidth, TextWidth(r.share, em, Regular))
		count = maxf(count, TextWidth(c.written(r), em, Regular))
		lab = maxf(lab, TextWidth(r.label, em, Regular))
		most = maxf(most, r.count)
		anyShare = anyShare || r.share != "" && !r.unknown
	}
	if anyShare {
		head := []string{"running share of the known"}
		if TextWidth(head[0], em, Regular) > size.Width-TextWidth(c.Unit, em, Regular)-2*em {
			head = []string{"running share", "of the known"}
		}
		w := words{lines: head, size: em, color: SoftInk}
		top := 0.1 * em
		if TextWidth(c.Unit, em, Regular) > size.Width-w.width()-2*em {
			top = y - 0.2*em
		}
		f.add("", w.marks(size.Width, top, End, false)...)
		y = maxf(y, top+w.height()+0.5*em)
		shareWidth += em
	}
	left := minf(lab, 0.34*size.Width)
	if stacked {
		left = 0
	} else {
		left += 0.7 * em
	}
	// The bar leaves room for its own count and for the column of shares.
	barRoom := maxf(2*em, size.Width-left-count-0.6*em-shareWidth)
	top := y
	for _, r := range rows {
		lines := wrap(r.label, em, Regular, maxf(4*em, left-0.7*em), 2)
		if stacked {
			lines = wrap(r.label, em, Regular, size.Width, 2)
		}
		barHeight := 1.05 * em
		h := maxf(1, float64(len(lines)))*lineStep*em + 0.55*em
		mid := y + h/2
		var marks []Mark
		if stacked {
			w := words{lines: lines, size: em, color: Ink}
			marks = append(marks, w.marks(0, y+0.2*em, Start, false)...)
			mid = y + (float64(len(lines))*lineStep+0.1)*em + barHeight/2
			h = mid + barHeight/2 + 0.55*em - y
		} else {
			w := words{lines: lines, size: em, color: Ink}
			marks = append(marks, w.marks(left-0.7*em, mid-(w.height()-descent*em)/2, End, false)...)
		}
		length := 0.0
		if most > 0 {
			length = r.count / most * barRoom
		}
		marks = append(marks, barMarks(r, left, mid-barHeight/2, length, barHeight, em)...)
		base := mid + capHeight/2*em
		at, color := left+length+0.4*em, Ink
		if r.hidden {
			at, color = left+0.3*em, SoftInk
		}
		marks = append(marks, p.label(at, base, c.written(r), Start, color))
		if r.share != "" {
			marks = append(marks, p.label(size.Width, base, r.share, End, SoftInk))
		}
		about := fmt.Sprintf("%s: %s", r.label, c.written(r))
		f.add(about, marks...)
		y += h
	}
	if !stacked {
		f.add("", line(left, top, left, y, axisPen(em)))
	}
	f.Height = y + 0.2*em
	return f
}

// barMarks draws a bar: hatched when unknown, open for the lump of others,
// filled otherwise. A withheld count has no bar at all.
func barMarks(r paretoRow, x, y, w, h, em float64) []Mark {
	if r.hidden || !(w > 0) {
		return nil
	}
	pen := Pen{Color: Water, Width: 0.06 * em}
	switch {
	case r.unknown:
		out := hatch(x, y, w, h, 0.42*em, Pen{Color: SoftInk, Width: 0.05 * em})
		return append(out, rect(x, y, w, h, Pen{Color: SoftInk, Width: 0.06 * em}, Fill{}))
	case r.other:
		return []Mark{rect(x, y, w, h, pen, Solid(Paper))}
	}
	return []Mark{rect(x, y, w, h, Pen{}, Solid(Water))}
}
