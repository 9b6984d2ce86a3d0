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

// Table writes rows under heads. The last column to the left may wrap.
func (p *Page) Table(columns []Column, rows [][]string) {
	w := make([]int, len(columns))
	heads := make([]string, len(columns))
	for i, c := range columns {
		heads[i] = p.plain(c.Head)
		w[i] = wide(heads[i])
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
	last := len(columns) - 1
	before := 0
	for _, n := range w[:max(last, 0)] {
		before += n + 2
	}
	if last >= 0 && !columns[last].Right && before+w[last] > p.Width {
		w[last] = max(p.Width-before, 24)
	}
	hasHead := strings.TrimSpace(strings.Join(heads, "")) != ""
	if hasHead {
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

func (p *Page) row(columns []Column, w []int, cells []string) {
	last := len(columns) - 1
	wrapped := []string{""}
	if last >= 0 {
		wrapped = []string{cells[last]}
		if !columns[last].Right && wide(cells[last]) > w[last] {
			wrapped = wrap(cells[last], w[last])
		}
	}
	for n, tail := range wrapped {
		var b strings.Builder
		for i := range columns {
			c := ""
			switch {
			case i == last:
				c = tail
			case n == 0:
				c = cells[i]
			}
			pad := strings.Repeat(" ", max(0, w[i]-wide(c)))
			if columns[i].Right {
				c = pad + c
			} else if i < last {
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
