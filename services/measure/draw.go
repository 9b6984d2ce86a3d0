package measure

import (
	"fmt"
	"strings"

	"fairlead/analytics/figure"
	pb "fairlead/proto/gen/fairlead/v1"
)

// Draw lays a chart out for a size. It uses nothing but the message, so that the
// desk, the documents and a stranger draw the same picture. A chart of kind
// TOO_FEW has no drawing and is an error.
func Draw(c *pb.Chart, size figure.Size) (*figure.Figure, error) {
	if c.GetKind() != pb.ChartKind_CHART_KIND_C && c.GetKind() != pb.ChartKind_CHART_KIND_U {
		return nil, fmt.Errorf("measure: draw: a chart of kind %s has no drawing", c.GetKind())
	}
	k, err := controlOf(c)
	if err != nil {
		return nil, err
	}
	return k.Layout(size), nil
}

// controlOf turns a chart into the figure that draws it.
func controlOf(c *pb.Chart) (figure.Control, error) {
	rated := c.GetKind() == pb.ChartKind_CHART_KIND_U
	k := figure.Control{
		Title: c.GetDefinition().GetTitle() + ", " + c.GetScope(), Unit: c.GetUnit(), CountName: countName(c.GetUnit()),
		PeriodName: "month", CenterName: "average", Method: c.GetMethod(),
	}
	if rated {
		k.ExposureName = "hours"
		if c.GetDefinition().GetDenominator() == "workers" {
			k.ExposureName = "workers"
		}
	}
	place := map[string]int{}
	for i, p := range c.GetPoints() {
		m, ok := parseMonth(p.GetMonth())
		if !ok {
			return k, fmt.Errorf("measure: draw: points[%d].month is not a month", i)
		}
		place[p.GetMonth()] = i
		o := figure.Observation{
			Count: float64(p.GetCount()), Value: p.GetValue(), Missing: p.Value == nil, Beyond: p.GetBeyond(), Provisional: p.GetProvisional(),
			LCL: p.GetLower(), HasLCL: p.Lower != nil, UCL: p.GetUpper(), HasUCL: p.Upper != nil,
		}
		if rated {
			o.Exposure = p.GetExposure()
			o.Why = "no " + k.ExposureName
		} else {
			o.Why = "no records"
		}
		o.Label, o.Tick, o.Group = figure.MonthLabel(m.year(), m.of())
		k.Points = append(k.Points, o)
	}
	if c.Center != nil && len(k.Points) > 0 {
		k.Center = []figure.Level{{First: 0, Last: len(k.Points) - 1, Value: c.GetCenter()}}
	}
	first, okFirst := place[c.GetBaselineStartMonth()]
	last, okLast := place[c.GetBaselineEndMonth()]
	if okFirst && okLast {
		k.Baseline = &figure.Baseline{First: first, Last: last}
	}
	for _, s := range c.GetSignals() {
		from, okFrom := place[s.GetStartMonth()]
		to, okTo := place[s.GetEndMonth()]
		if okFrom && okTo && to > from {
			k.Runs = append(k.Runs, figure.Run{First: from, Last: to})
		}
	}
	return k, nil
}

// countName is what the unit of a chart counts: `lost-time cases per million
// hours` and `reports a month` count lost-time cases and reports.
func countName(unit string) string {
	name, _, _ := strings.Cut(unit, " per ")
	return strings.TrimSuffix(name, " a month")
}

// drawInto puts the drawings into a chart, for a wide and a narrow screen.
func drawInto(c *pb.Chart) error {
	if c.GetKind() == pb.ChartKind_CHART_KIND_TOO_FEW {
		return nil
	}
	for size, to := range map[figure.Size]*string{figure.Wide: &c.Svg, figure.Narrow: &c.SvgNarrow} {
		f, err := Draw(c, size)
		if err != nil {
			return err
		}
		id := "chart-" + c.GetDefinition().GetMeasure()
		if size == figure.Narrow {
			id += "-narrow"
		}
		var b strings.Builder
		if err := f.SVG(&b, id); err != nil {
			return fmt.Errorf("measure: draw: %w", err)
		}
		*to = b.String()
	}
	return nil
}
