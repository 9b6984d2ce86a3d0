package page

import (
	"math"
	"strings"
)

// Column is one column of a table.
type Column struct {
	Head  string
	Right bool // numbers stand to the right
}

// Table writes rows under heads. Where it is wider than the page, heads go over
// several lines, and then the widest columns of words do.
func (p *Page) Table(columns []Column, rows [][]string) {
	w := make([]int, len(columns))
	heads := make([]string, len(columns))
	for i, c := range columns {
		heads[i] = p.plain(c.Head)
	}
	cells := make([][]string, len(rows))
	for r, row := range rows {
		cells[r] = make([]string, len(columns))
		for i := range columns {
			if i < len(row) {
				cells[r][i] = strings.ReplaceAll(p.plain(row[i]), "\n", " ")
			}
			w[i] = max(w[i], wide(cells[r][i]))
		}
	}
	p.fit(columns, heads, w)
	if strings.TrimSpace(strings.Join(heads, "")) != "" {
		p.row(columns, w, heads)
		rule := "─"
		if p.ASCII {
			rule = "-"
		}
		lines := make([]string, len(columns))
		for i, n := range w {
			lines[i] = strings.Repeat(rule, n)
		}
		p.row(columns, w, lines)
	}
	for _, row := range cells {
		p.row(columns, w, row)
	}
}

// fit widens columns to their heads where there is room, and narrows columns
// of words where there is none.
func (p *Page) fit(columns []Column, heads []string, w []int) {
	total := func() int {
		n := 2 * (len(w) - 1)
		for _, x := range w {
			n += x
		}
		return n
	}
	for i, h := range heads {
		w[i] = max(w[i], longest(h))
	}
	for i, h := range heads {
		if extra := wide(h) - w[i]; extra > 0 && total()+extra <= p.Width {
			w[i] += extra
		}
	}
	const least = 20
	for total() > p.Width {
		widest := -1
		for i, c := range columns {
			if !c.Right && w[i] > max(least, longest(heads[i])) && (widest < 0 || w[i] > w[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			return // nothing can give: the lines are longer than the page
		}
		w[widest]--
	}
}

// longest returns the width of the longest word.
func longest(s string) int {
	n := 0
	for word := range strings.FieldsSeq(s) {
		n = max(n, wide(word))
	}
	return n
}

// row writes one row, over as many lines as its cells need.
func (p *Page) row(columns []Column, w []int, cells []string) {
	lines := make([][]string, len(columns))
	height := 1
	for i, c := range cells {
		lines[i] = []string{c}
		if wide(c) > w[i] {
			lines[i] = wrap(c, w[i])
		}
		height = max(height, len(lines[i]))
	}
	for n := range height {
		var b strings.Builder
		for i := range columns {
			c := ""
			if n < len(lines[i]) {
				c = lines[i][n]
			}
			pad := strings.Repeat(" ", max(0, w[i]-wide(c)))
			if columns[i].Right {
				c = pad + c
			} else {
				c += pad
			}
			if i > 0 {
				b.WriteString("  ")
			}
			b.WriteString(c)
		}
		p.line(strings.TrimRight(b.String(), " "))
	}
}

// Bar is one row of a list with bars.
type Bar struct {
	Name  string
	Value int64
	Text  string // what is written; empty is the value
}

// Bars writes names, numbers and bars whose length follows the number.
func (p *Page) Bars(bars []Bar) {
	most := int64(1)
	names, numbers := 0, 0
	for i, b := range bars {
		if b.Text == "" {
			bars[i].Text = Count(float64(b.Value))
		}
		most = max(most, b.Value)
		names = max(names, wide(p.plain(b.Name)))
		numbers = max(numbers, wide(bars[i].Text))
	}
	names = min(names, p.Width/2)
	room := min(40, p.Width-names-numbers-6)
	for _, b := range bars {
		name := cut(p.plain(b.Name), names)
		p.line(strings.TrimRight("  "+name+strings.Repeat(" ", names-wide(name))+"  "+
			strings.Repeat(" ", numbers-wide(b.Text))+b.Text+"  "+p.bar(float64(b.Value)/float64(most)*float64(room)), " "))
	}
}

// bar draws a bar of a length in columns, to an eighth of one in Unicode. What
// is there at all is seen.
func (p *Page) bar(n float64) string {
	if !(n > 0) {
		return ""
	}
	if p.ASCII {
		return strings.Repeat("#", max(1, int(math.Round(n))))
	}
	eighths := max(1, int(math.Round(n*8)))
	s := strings.Repeat("█", eighths/8)
	if e := eighths % 8; e > 0 {
		s += string([]rune(" ▏▎▍▌▋▊▉")[e])
	}
	return s
}

// cut shortens a text to a width, ending in two points when cut.
func cut(s string, width int) string {
	if wide(s) <= width {
		return s
	}
	return string([]rune(s)[:max(0, width-2)]) + ".."
}
