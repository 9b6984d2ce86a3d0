package export

import (
	"fmt"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/guard"
)

// entry is one figure of a summary in words, with the count that it rests on;
// no count when there is none or it is held back.
type entry struct {
	part, figure, words string
	count               *float64
	// zero says that a figure which is not there stands for nothing counted.
	zero bool
}

// entries lays a summary out as a list of figures, in order.
func entries(sum *pb.Summary) []entry {
	var out []entry
	for _, v := range sum.GetMeasures() {
		n := v.GetNumerator()
		e := entry{part: "Measures", figure: v.GetDefinition().GetTitle(), words: measureWords(v), count: &n}
		if v.GetHeldBack() {
			e.count = nil
		}
		out = append(out, e)
	}
	chart := sum.GetChart()
	for _, p := range chart.GetPoints() {
		n := float64(p.GetCount())
		words := count(p.GetCount())
		if p.Exposure != nil && p.Value != nil && p.GetExposure() != 1 {
			words = fmt.Sprintf("%s in %s, %s %s", words, hoursOf(p.GetExposure()), rounded(p.Value), chart.GetUnit())
		}
		out = append(out, entry{part: "Month by month: " + chart.GetDefinition().GetTitle(), figure: p.GetMonth(), words: words, count: &n})
	}
	out = append(out, cells("Reports by kind", sum.GetKinds())...)
	for _, t := range sum.GetTables() {
		out = append(out, cells(t.GetTitle(), t.GetTable())...)
	}
	for _, u := range sum.GetUnknowns() {
		n := float64(u.GetTotal() - u.GetKnown())
		out = append(out, entry{part: "What is not known", figure: u.GetItem(), count: &n, words: fmt.Sprintf("%d of %d known, %d not known, %d do not apply, %d not asked",
			u.GetKnown(), u.GetTotal(), u.GetNotKnown(), u.GetDoesNotApply(), u.GetNotAsked())})
	}
	return out
}

// measureWords says a measure with what it rests on.
func measureWords(v *pb.MeasureValue) string {
	if v.GetHeldBack() {
		return "held back"
	}
	if !v.GetDefined() {
		return "undefined: " + v.GetUndefinedReason()
	}
	words := rounded(v.Value) + " " + v.GetDefinition().GetUnit()
	if v.Lower != nil && v.Upper != nil {
		words += fmt.Sprintf(", %s to %s would fit", rounded(v.Lower), rounded(v.Upper))
	}
	words += "; " + hoursOf(v.GetNumerator())
	if v.Denominator != nil {
		words += " over " + hoursOf(v.GetDenominator())
	}
	return words
}

// hoursOf writes a number in full, so that a small change shows.
func hoursOf(v float64) string {
	text := fmt.Sprintf("%.2f", v)
	return strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
}

// cells lays a table out; what is held back stays so.
func cells(part string, t *pb.Table) []entry {
	var out []entry
	add := func(figure string, n int64) {
		e := entry{part: part, figure: figure, words: count(n), zero: true}
		if n != guard.HeldBack {
			v := float64(n)
			e.count = &v
		}
		out = append(out, e)
	}
	cols := len(t.GetColumns())
	for r, rh := range t.GetRows() {
		for c, ch := range t.GetColumns() {
			if cols == 1 {
				add(headWords(rh), t.GetCounts()[r])
			} else {
				add(headWords(rh)+", "+headWords(ch), t.GetCounts()[r*cols+c])
			}
		}
		if cols > 1 {
			add(headWords(rh)+", total", rh.GetTotal())
		}
	}
	if len(t.GetRows()) == 0 && t.GetHeldBackReason() != "" {
		add("total", guard.HeldBack)
		return out
	}
	add("total", t.GetTotal())
	return out
}

// difference lists the figures of two summaries that are not the same, in the
// order of the second with what is gone from it at the end of its part, and how
// many were compared.
func difference(was, is *pb.Summary) (out []*pb.FigureDifference, compared int) {
	key := func(e entry) string { return e.part + "\x00" + e.figure }
	before, after := entries(was), entries(is)
	old := map[string]entry{}
	for _, e := range before {
		old[key(e)] = e
	}
	seen := map[string]bool{}
	put := func(was, is entry) {
		compared++
		if was.words != is.words {
			at := is
			if at.part == "" {
				at = was
			}
			out = append(out, &pb.FigureDifference{Part: at.part, Figure: at.figure, Was: was.words, Is: is.words, WasCount: was.count, IsCount: is.count})
		}
	}
	// The figures that are gone follow the part that they were in.
	gone := func(part string) {
		for _, e := range before {
			if e.part == part && !seen[key(e)] {
				seen[key(e)] = true
				put(e, absent(e))
			}
		}
	}
	inNow := map[string]bool{}
	for _, e := range after {
		inNow[key(e)] = true
	}
	for _, e := range before {
		seen[key(e)] = inNow[key(e)]
	}
	for i, e := range after {
		if i > 0 && after[i-1].part != e.part {
			gone(after[i-1].part)
		}
		if o, ok := old[key(e)]; ok {
			put(o, e)
		} else {
			put(absent(e), e)
		}
	}
	for _, e := range before {
		gone(e.part)
	}
	return out, compared
}

// absent is the figure that stands for one which a summary does not have: in a
// table nothing was counted, elsewhere there is no figure.
func absent(e entry) entry {
	if !e.zero {
		return entry{words: "none"}
	}
	nothing := 0.0
	return entry{words: "0", count: &nothing}
}
