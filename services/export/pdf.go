package export

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"fairlead/analytics/figure"
	pb "fairlead/proto/gen/fairlead/v1"
)

// writePDF writes the summary for paper: one column, rules instead of boxes,
// the sentence first, the chart as vectors. The accessible form of the same
// facts is the page and the CSV: no writer at hand makes tagged PDF.
func (s *Service) writePDF(sum *pb.Summary) ([]byte, error) {
	p, err := newPaper(sum)
	if err != nil {
		return nil, err
	}
	p.title(sum.GetTitle())
	p.text(fmt.Sprintf("%s, %s to %s. %s.", sum.GetScope(), monthWords(sum.GetPeriod().GetStartMonth()),
		monthWords(lastMonth(sum.GetPeriod())), conventionWords(sum.GetConvention())))
	if len(sum.GetMeasures()) > 0 {
		p.lead(sum.GetMeasures()[0].GetDefinition().GetTitle() + ": " + sum.GetMeasures()[0].GetSentence())
	}
	p.section("Measures")
	p.measures(sum.GetMeasures())
	if err := s.drawChart(p, sum.GetChart()); err != nil {
		return nil, err
	}
	p.section("Reports by kind")
	p.table(sum.GetKinds(), true)
	for i, t := range sum.GetTables() {
		p.section(t.GetTitle())
		// The tables of persons share their method; it is said once.
		p.table(t.GetTable(), i == 0 || i == len(sum.GetTables())-1)
		if t.GetHeldBack() > 0 {
			p.small(fmt.Sprintf("%d cells are held back to protect people.", t.GetHeldBack()))
		} else if why := t.GetTable().GetHeldBackReason(); why != "" {
			p.small(why)
		}
	}
	p.section("What is not known")
	p.unknowns(sum.GetUnknowns())
	p.section("How these figures were made")
	for _, n := range sum.GetMethodNotes() {
		p.note(n)
	}
	p.section("Read with care")
	for _, n := range sum.GetCautions() {
		p.note(n)
	}
	p.small("Sequence number " + fmt.Sprint(sum.GetSequenceNumber()) + ". Hash of the log at that number: " + sum.GetLogHash())
	p.small("To make this summary again, whatever was recorded since, ask for it as at " + momentWords(sum.GetAsAt()) + ".")
	var b bytes.Buffer
	if err := p.pdf.Output(&b); err != nil {
		return nil, fmt.Errorf("export: write PDF: %w", err)
	}
	return b.Bytes(), nil
}

// drawChart draws the chart with its sentence, method and cautions.
func (s *Service) drawChart(p *paper, c *pb.Chart) error {
	if c == nil {
		return nil
	}
	var drawn *figure.Figure
	over := 22.0
	if c.GetKind() != pb.ChartKind_CHART_KIND_TOO_FEW && s.d.Draw != nil {
		f, err := s.d.Draw(c, figure.Size{Width: p.width() * p.k, Text: 9})
		if err != nil {
			return fmt.Errorf("export: draw chart: %w", err)
		}
		drawn, over = f, f.Height/p.k+18
	}
	p.sectionOver(c.GetDefinition().GetTitle()+" by month", over)
	if drawn != nil {
		if err := p.figure(drawn); err != nil {
			return err
		}
	}
	p.lead(c.GetSentence())
	p.small(c.GetMethod())
	if r := c.GetKindReason(); r != "" {
		p.small("Why this chart: " + r)
	}
	return nil
}

// monthWords writes 2026-03 as March 2026.
func monthWords(m string) string {
	t, err := time.Parse("2006-01", m)
	if err != nil {
		return m
	}
	return t.Format("January 2006")
}

// rounded writes a rate with at most one decimal more than it deserves: rates
// of few cases are not given to several decimals (see the cautions).
func rounded(p *float64) string {
	if p == nil {
		return ""
	}
	switch v := *p; {
	case v == 0:
		return "0"
	case v < 0.1:
		return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.3f", v), "0"), ".")
	case v < 100:
		return figure.Number(v, 1)
	default:
		return figure.Number(v, 0)
	}
}
