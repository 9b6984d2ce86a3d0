package figure

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// Table returns the facts of the chart without laying it out.
func (c Control) Table() Table {
	dec := c.decimals()
	t := Table{Caption: c.Title}
	t.col(capitalise(c.periodName()), false)
	if c.CountName != "" {
		t.col(capitalise(c.CountName), true)
	}
	if c.ExposureName != "" {
		t.col(capitalise(c.ExposureName), true)
	}
	t.col(capitalise(or(c.Unit, "value")), true)
	anyL, anyU := false, false
	for _, p := range c.Points {
		anyL, anyU = anyL || p.hasLCL(), anyU || p.hasUCL()
	}
	if anyL {
		t.col("Lower limit", true)
	}
	if anyU {
		t.col("Upper limit", true)
	}
	t.col("Remarks", false)
	opt := func(ok bool, v float64) string {
		if ok {
			return Number(v, dec)
		}
		return "–"
	}
	for _, p := range c.Points {
		row := []string{p.Label}
		if c.CountName != "" {
			if finite(p.Count) && !(p.Missing && p.Count == 0) {
				row = append(row, Count(p.Count))
			} else {
				row = append(row, "–")
			}
		}
		if c.ExposureName != "" {
			if p.Exposure > 0 && finite(p.Exposure) {
				row = append(row, Count(p.Exposure))
			} else {
				row = append(row, "–")
			}
		}
		row = append(row, opt(p.shown(), p.Value))
		if anyL {
			row = append(row, opt(p.hasLCL(), p.LCL))
		}
		if anyU {
			row = append(row, opt(p.hasUCL(), p.UCL))
		}
		t.Rows = append(t.Rows, append(row, c.remarks(p)))
	}
	t.Notes = c.notes()
	return t
}

// notes are the facts that belong to more than one point.
func (c Control) notes() []string {
	var out []string
	n := len(c.Points)
	for _, l := range c.Center {
		first, last, ok := valid(l.First, l.Last, n)
		if !ok || !drawable(l.Value) {
			continue
		}
		s := fmt.Sprintf("%s %s", capitalise(c.centerName()), Number(l.Value, c.decimals()))
		if len(c.Center) > 1 {
			s += fmt.Sprintf(", %s to %s", c.Points[first].Label, c.Points[last].Label)
		}
		out = append(out, s+".")
	}
	if c.Baseline != nil {
		if first, last, ok := valid(c.Baseline.First, c.Baseline.Last, n); ok {
			out = append(out, capitalise(c.baselineText(first, last))+".")
		}
	}
	for _, r := range c.Runs {
		if first, last, ok := valid(r.First, r.Last, n); ok {
			out = append(out, fmt.Sprintf("Run: %s, %s to %s.", c.runText(r, first, last), c.Points[first].Label, c.Points[last].Label))
		}
	}
	for _, f := range c.Flags {
		if f.At >= 0 && f.At < n {
			out = append(out, strings.TrimSpace(fmt.Sprintf("Flag %d at %s. %s", f.Number, c.Points[f.At].Label, f.Note)))
		}
	}
	return out
}

// describe says in words what the drawing shows, for screen readers.
func (c Control) describe() string {
	n := len(c.Points)
	if n == 0 {
		return "No points yet."
	}
	var s []string
	if c.Method != "" {
		s = append(s, capitalise(c.Method)+".")
	}
	s = append(s, fmt.Sprintf("%s, %s to %s.", plural(n, c.periodName(), c.periodName()+"s"), c.Points[0].Label, c.Points[n-1].Label))
	s = append(s, c.notes()...)
	beyond, missing, prov := 0, 0, 0
	for _, p := range c.Points {
		if !p.shown() {
			missing++
			if t := c.gapText(p); t != p.why() {
				s = append(s, "Not in the chart: "+p.Label+", "+t+".")
			}
		} else if p.Beyond {
			beyond++
			s = append(s, "Beyond the limits: "+c.about(p)+".")
		}
		if p.Provisional {
			prov++
		}
	}
	if beyond == 0 {
		for _, p := range c.Points {
			if p.hasUCL() || p.hasLCL() {
				s = append(s, "No point is beyond the limits.")
				break
			}
		}
	}
	if missing > 0 {
		s = append(s, fmt.Sprintf("%s without a value, left as a gap.", plural(missing, c.periodName(), c.periodName()+"s")))
	}
	if prov > 0 {
		s = append(s, fmt.Sprintf("%s provisional.", plural(prov, c.periodName(), c.periodName()+"s")))
	}
	return strings.Join(append(s, "The table holds every number."), " ")
}

// capitalise raises the first letter.
func capitalise(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return ""
	}
	return strings.ToUpper(string(r)) + s[n:]
}
