package figure

import (
	"fmt"
	"strings"
)

// HeatCell is one cell of a cross-tabulation.
type HeatCell struct {
	Count float64
	// Hidden leaves the cell blank because the count is too small to show
	// without pointing at a person; Count is then ignored.
	Hidden bool
	// Marked frames the cell: more than chance after allowing for the number
	// of cells looked at. Note says so in the table.
	Marked bool
	Note   string
}

// Heat is a cross-tabulation: counts in tints of one colour with the number
// in the cell, blank where there are too few.
type Heat struct {
	// Title names the chart for screen readers and the table.
	Title string
	// Unit is what is counted: "injuries".
	Unit string
	// RowName and ColName say what rows and columns are: "mechanism",
	// "agency".
	RowName, ColName string
	Rows, Cols       []string
	// Cells has a slice for each row; missing cells are drawn as hidden.
	Cells [][]HeatCell
	// RowTotals and ColTotals, when set, are written right of the rows and
	// below the columns; a negative one is left out. They are the caller's to
	// guard: a total lets a reader work out what is hidden. The figure itself
	// leaves out the total of a row or column with exactly one hidden cell.
	RowTotals, ColTotals []float64
	// Total is the sum over everything, written in the corner when positive.
	Total float64
}

func (c Heat) cell(i, j int) HeatCell {
	if i < len(c.Cells) && j < len(c.Cells[i]) {
		if x := c.Cells[i][j]; !x.Hidden && drawable(x.Count) && x.Count >= 0 {
			return x
		}
		return HeatCell{Hidden: true, Note: c.Cells[i][j].Note}
	}
	return HeatCell{Hidden: true}
}

// rowTotal and colTotal return a total that may be shown.
func (c Heat) rowTotal(i int) (string, bool) {
	hidden := 0
	for j := range c.Cols {
		if c.cell(i, j).Hidden {
			hidden++
		}
	}
	return total(c.RowTotals, i, hidden)
}

func (c Heat) colTotal(j int) (string, bool) {
	hidden := 0
	for i := range c.Rows {
		if c.cell(i, j).Hidden {
			hidden++
		}
	}
	return total(c.ColTotals, j, hidden)
}

func total(ts []float64, i, hidden int) (string, bool) {
	if i < len(ts) && drawable(ts[i]) && ts[i] >= 0 && hidden != 1 {
		return Count(ts[i]), true
	}
	return "", false
}

// Table returns the facts of the chart without laying it out.
func (c Heat) Table() Table {
	t := Table{Caption: c.Title}
	t.col(strings.TrimSpace(capitalise(or(c.RowName, "row"))), false)
	for _, n := range c.Cols {
		t.col(n, true)
	}
	if len(c.RowTotals) > 0 {
		t.col("All", true)
	}
	for i, name := range c.Rows {
		row := []string{name}
		for j := range c.Cols {
			x := c.cell(i, j)
			s := Count(x.Count)
			if x.Hidden {
				s = "too few to show"
			}
			row = append(row, s)
			if x.Marked || x.Note != "" {
				t.Notes = append(t.Notes, fmt.Sprintf("%s, %s: %s.", name, c.Cols[j], or(x.Note, "more than chance")))
			}
		}
		if len(c.RowTotals) > 0 {
			s, _ := c.rowTotal(i)
			row = append(row, or(s, "–"))
		}
		t.Rows = append(t.Rows, row)
	}
	if len(c.ColTotals) > 0 {
		row := []string{"All"}
		for j := range c.Cols {
			s, _ := c.colTotal(j)
			row = append(row, or(s, "–"))
		}
		if len(c.RowTotals) > 0 {
			s := "–"
			if drawable(c.Total) && c.Total > 0 {
				s = Count(c.Total)
			}
			row = append(row, s)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func (c Heat) describe() string {
	if len(c.Rows) == 0 || len(c.Cols) == 0 {
		return "Nothing counted yet."
	}
	s := fmt.Sprintf("Cross-tabulation of %s by %s: %d rows, %d columns.", or(c.RowName, "rows"), or(c.ColName, "columns"), len(c.Rows), len(c.Cols))
	bi, bj, best := -1, -1, 0.0
	for i := range c.Rows {
		for j := range c.Cols {
			if x := c.cell(i, j); !x.Hidden && x.Count > best {
				bi, bj, best = i, j, x.Count
			}
		}
	}
	if bi >= 0 {
		s += fmt.Sprintf(" Most often: %s, %s: %s.", c.Rows[bi], c.Cols[bj], Count(best))
	}
	return strings.Join(append([]string{s}, c.Table().Notes...), " ") + " The table holds every number."
}

// Layout places the chart for a size.
func (c Heat) Layout(size Size) *Figure {
	size = size.sane()
	em := size.Text
	f := &Figure{Width: size.Width, Text: em, Title: c.Title, Desc: c.describe(), table: c.Table()}
	p := &plot{f: f, em: em}
	y := p.heading(c.Unit) + 0.6*em
	if len(c.Rows) == 0 || len(c.Cols) == 0 {
		f.add("", p.label(0, y+em, "Nothing counted yet.", Start, SoftInk))
		f.Height = y + 1.6*em
		return f
	}
	l := heatLayout{c: c, plot: p}
	l.columns()
	y = l.heads(y)
	for i := range c.Rows {
		y = l.row(i, y)
	}
	if len(l.frames) > 0 {
		f.add("", l.frames...)
	}
	f.Height = l.foot(y) + 0.2*em
	return f
}

type heatLayout struct {
	c Heat
	*plot
	cw, ch float64 // cell
	most   float64
	sumAt  float64 // right edge of the column of totals
	frames []Mark  // of marked cells, drawn over their neighbours
}

func (l *heatLayout) columns() {
	em, n := l.em, float64(len(l.c.Cols))
	lab, num, sum := TextWidth("all", em, Regular), 0.0, 0.0
	for _, r := range l.c.Rows {
		lab = maxf(lab, TextWidth(r, em, Regular))
	}
	for i := range l.c.Rows {
		for j := range l.c.Cols {
			if x := l.c.cell(i, j); !x.Hidden {
				num = maxf(num, TextWidth(Count(x.Count), em, Regular))
				l.most = maxf(l.most, x.Count)
			}
		}
		if s, ok := l.c.rowTotal(i); ok {
			sum = maxf(sum, TextWidth(s, em, Regular)+0.8*em)
		}
	}
	if drawable(l.c.Total) && l.c.Total > 0 && sum > 0 {
		sum = maxf(sum, TextWidth(Count(l.c.Total), em, Regular)+0.8*em)
	}
	if sum > 0 {
		sum = maxf(sum, TextWidth("all", em, Regular)+0.8*em)
	}
	w := l.f.Width - sum
	l.left = minf(lab+0.8*em, maxf(0.30*w, w-n*(num+1.2*em)))
	l.left = minf(l.left, 0.55*w)
	l.cw = minf((w-l.left)/n, maxf(6*em, num+em))
	l.ch = 2.1 * em
	l.sumAt = l.left + n*l.cw + sum
}

// heads sets the names of the columns: wrapped above them when they fit, else
// as a staircase whose steps run down to the columns, so that no word is
// turned on its side.
func (l *heatLayout) heads(y float64) float64 {
	em := l.em
	fits := true
	for _, name := range l.c.Cols {
		for _, wd := range strings.Fields(name) {
			fits = fits && TextWidth(wd, em, Regular) <= l.cw-0.4*em
		}
		fits = fits && len(wrap(name, em, Regular, l.cw-0.4*em, 9)) <= 3
	}
	if fits {
		tall := 0.0
		var ws []words
		for _, name := range l.c.Cols {
			w := words{lines: wrap(name, em, Regular, l.cw-0.4*em, 3), size: em, color: Ink}
			ws = append(ws, w)
			tall = maxf(tall, w.height())
		}
		for j, w := range ws {
			l.f.add("", w.marks(l.left+(float64(j)+0.5)*l.cw, y+tall-w.height(), Middle, false)...)
		}
		y += tall + 0.25*em
	} else {
		n := len(l.c.Cols)
		foot := y + float64(n)*lineStep*em + 0.3*em
		for j, name := range l.c.Cols {
			x := l.left + (float64(j)+0.5)*l.cw
			base := y + (float64(n-1-j)*lineStep+capHeight)*em
			text := fit(name, em, Regular, x-0.45*em)
			bar := line(x, base-0.35*em, x, foot-0.1*em, hairline(em))
			l.f.add("", bar, line(x-0.3*em, base-0.35*em, x, base-0.35*em, hairline(em)),
				l.label(x-0.45*em, base, text, End, Ink))
		}
		y = foot
	}
	if l.sumAt > l.left+float64(len(l.c.Cols))*l.cw {
		l.f.add("", l.label(l.sumAt, y-0.35*em, "all", End, SoftInk))
	}
	return y
}

func (l *heatLayout) row(i int, y float64) float64 {
	em := l.em
	lab := words{lines: wrap(l.c.Rows[i], em, Regular, l.left-0.6*em, 2), size: em, color: Ink}
	h := maxf(l.ch, lab.height()+0.5*em)
	mid := y + h/2
	l.f.add("", lab.marks(l.left-0.6*em, mid-(lab.height()-descent*em)/2, End, false)...)
	base := mid + capHeight/2*em
	for j := range l.c.Cols {
		x := l.c.cell(i, j)
		x0 := l.left + float64(j)*l.cw
		about := l.c.Rows[i] + ", " + l.c.Cols[j] + ": "
		inset := 0.04 * em
		if x.Hidden {
			l.f.add(about+"too few to show", rect(x0+inset, y+inset, l.cw-2*inset, h-2*inset, Pen{Color: Rule, Width: 0.04 * em, Dash: []float64{0.2 * em, 0.2 * em}}, Fill{}))
			continue
		}
		share := 0.0
		if l.most > 0 {
			share = x.Count / l.most
		}
		ground := Tint(share)
		pen := Pen{Color: Rule, Width: 0.04 * em}
		st := TextStyle{Size: em, Anchor: Middle, Color: TextOn(ground)}
		if x.Marked {
			// A frame of ink, a ring of paper, then the tint: seen on any tint
			// and in black and white.
			st.Weight, inset, pen = Bold, 0.22*em, Pen{}
			l.frames = append(l.frames, rect(x0+0.05*em, y+0.05*em, l.cw-0.1*em, h-0.1*em, Pen{Color: Ink, Width: 0.13 * em}, Fill{}))
		}
		marks := []Mark{rect(x0+inset, y+inset, l.cw-2*inset, h-2*inset, pen, Solid(ground))}
		if x.Marked {
			about += or(x.Note, "more than chance") + ", "
		}
		s := fit(Count(x.Count), em, st.Weight, l.cw)
		l.f.add(about+Count(x.Count), append(marks, Text{At: Point{x0 + l.cw/2, base}, S: s, Style: st})...)
	}
	if s, ok := l.c.rowTotal(i); ok {
		l.f.add("", l.label(l.sumAt, base, s, End, SoftInk))
	}
	return y + h
}

// foot writes the totals of the columns.
func (l *heatLayout) foot(y float64) float64 {
	em, any := l.em, false
	base := y + (0.5+capHeight)*em
	for j := range l.c.Cols {
		if s, ok := l.c.colTotal(j); ok {
			any = true
			s = fit(s, em, Regular, l.cw)
			l.f.add("", l.label(l.left+(float64(j)+0.5)*l.cw, base, s, Middle, SoftInk))
		}
	}
	if !any {
		return y
	}
	l.f.add("", l.label(l.left-0.6*em, base, "all", End, SoftInk))
	if drawable(l.c.Total) && l.c.Total > 0 && len(l.c.RowTotals) > 0 {
		l.f.add("", l.label(l.sumAt, base, Count(l.c.Total), End, SoftInk))
	}
	return base + descent*em
}
