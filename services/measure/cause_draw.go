package measure

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"fairlead/analytics/figure"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/guard"
)

// What is drawn of a large table: its fullest rows and columns, as many as can be
// read. The message holds the rest.
const (
	heatRows, heatColumns = 12, 8
	oddsRows              = 15
)

// svgInto writes a figure for a wide and a narrow screen.
func svgInto(layout func(figure.Size) *figure.Figure, id string, wide, narrow *string) error {
	for _, x := range []struct {
		size figure.Size
		id   string
		to   *string
	}{{figure.Wide, id, wide}, {figure.Narrow, id + "-narrow", narrow}} {
		var b strings.Builder
		if err := layout(x.size).SVG(&b, x.id); err != nil {
			return fmt.Errorf("measure: draw: %w", err)
		}
		*x.to = b.String()
	}
	return nil
}

// slug is a dimension in an id of a drawing.
func slug(d pb.Dimension) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(d.String(), "DIMENSION_")), "_", "-")
}

// unitOf is what an answer counts.
func unitOf(harms bool) string {
	if harms {
		return "persons hurt"
	}
	return "reports"
}

// drawRanking puts the drawings into a ranking, from nothing but the message.
func drawRanking(r *pb.CauseRanking) error {
	p := figure.Pareto{
		Title: capital(dimensionNames[r.GetDimension()]) + ", " + r.GetScope(), Unit: unitOf(r.GetCountHarms()), RowName: dimensionNames[r.GetDimension()],
		UnknownName: r.GetUnknown().GetHead().GetTitle(), Unknown: math.Max(0, float64(r.GetUnknown().GetCount())),
		InOrder: r.GetDimension() == pb.Dimension_DIMENSION_WORKPLACE, Other: float64(r.GetOthers()), OtherName: number(float64(r.GetOtherRows()), "other", "others"), HiddenName: "held back",
	}
	if r.GetUnknown().GetCount() == guard.HeldBack {
		p.Bars = append(p.Bars, figure.Bar{Label: p.UnknownName, Hidden: true})
	}
	for _, row := range r.GetRows() {
		p.Bars = append(p.Bars, figure.Bar{Label: named(row.GetHead()), Count: float64(row.GetCount()), Hidden: row.GetCount() == guard.HeldBack})
	}
	return svgInto(p.Layout, "ranking-"+slug(r.GetDimension()), &r.Svg, &r.SvgNarrow)
}

// drawCross puts the drawings into a cross-table, from nothing but the message.
func drawCross(c *pb.CauseCross) error {
	id := "cross-" + slug(c.GetRows()) + "-" + slug(c.GetColumns())
	if len(c.GetRowHeads()) > 0 {
		if err := svgInto(heatOf(c).Layout, id, &c.Svg, &c.SvgNarrow); err != nil {
			return err
		}
	}
	if c.GetStanding() == 0 {
		return nil
	}
	return svgInto(oddsOf(c).Layout, id+"-odds", &c.OddsSvg, &c.OddsSvgNarrow)
}

// fullest returns the indices of the heads with the largest totals, in their own
// order.
func fullest(heads []*pb.TableHead, most int) []int {
	out := make([]int, len(heads))
	for i := range out {
		out[i] = i
	}
	if len(out) <= most {
		return out
	}
	slices.SortStableFunc(out, func(a, b int) int { return cmp.Compare(heads[b].GetTotal(), heads[a].GetTotal()) })
	out = out[:most]
	slices.Sort(out)
	return out
}

func heatOf(c *pb.CauseCross) figure.Heat {
	rows, columns := fullest(c.GetRowHeads(), heatRows), fullest(c.GetColumnHeads(), heatColumns)
	h := figure.Heat{
		Title: fmt.Sprintf("%s by %s, %s", capital(dimensionNames[c.GetRows()]), dimensionNames[c.GetColumns()], c.GetScope()),
		Unit:  unitOf(c.GetCountHarms()), RowName: dimensionNames[c.GetRows()], ColName: dimensionNames[c.GetColumns()],
	}
	if len(rows) < len(c.GetRowHeads()) || len(columns) < len(c.GetColumnHeads()) {
		h.Title += fmt.Sprintf("; the fullest %d of %d rows and %d of %d columns", len(rows), len(c.GetRowHeads()), len(columns), len(c.GetColumnHeads()))
	}
	stands := map[[2]int]*pb.CausePair{}
	for _, p := range c.GetPairs() {
		if p.GetStands() {
			stands[[2]int{int(p.GetRow()), int(p.GetColumn())}] = p
		}
	}
	for _, j := range columns {
		h.Cols = append(h.Cols, named(c.GetColumnHeads()[j]))
	}
	for _, i := range rows {
		h.Rows = append(h.Rows, named(c.GetRowHeads()[i]))
		var cells []figure.HeatCell
		for _, j := range columns {
			n := c.GetCounts()[i*len(c.GetColumnHeads())+j]
			cell := figure.HeatCell{Count: float64(n), Hidden: n == guard.HeldBack}
			if p := stands[[2]int{i, j}]; p != nil {
				cell.Marked, cell.Note = true, fmt.Sprintf("more than chance, %s expected", few(p.GetExpected()))
			}
			cells = append(cells, cell)
		}
		h.Cells = append(h.Cells, cells)
	}
	return h
}

// oddsOf draws the odds ratios of the pairs that stand.
func oddsOf(c *pb.CauseCross) figure.Intervals {
	f := figure.Intervals{
		Title: "Pairs that go together more than chance, " + c.GetScope(), Unit: "odds ratio", RowName: "pair",
		Reference: 1, HasReference: true, ReferenceName: "by chance", Log: true,
	}
	for _, p := range c.GetPairs() {
		if !p.GetStands() || len(f.Rows) == oddsRows {
			continue
		}
		f.IntervalName = fmt.Sprintf("%s %% interval", commas(figure.Number(100*p.GetOddsLevel(), 2)))
		e := figure.Estimate{
			Label: named(c.GetRowHeads()[p.GetRow()]) + " with " + named(c.GetColumnHeads()[p.GetColumn()]),
			Facts: fmt.Sprintf("%s together, %s by chance", whole(float64(p.GetCount())), few(p.GetExpected())),
			Value: p.GetOddsRatio(), Missing: p.OddsRatio == nil, Why: "never apart", Hi: math.Inf(1),
		}
		if p.OddsLower != nil {
			e.Lo, e.HasInterval = p.GetOddsLower(), true
			if p.OddsUpper != nil {
				e.Hi = p.GetOddsUpper()
			}
		}
		f.Rows = append(f.Rows, e)
	}
	return f
}
