package measure

import (
	"fmt"
	"strings"

	"fairlead/analytics/figure"
	"fairlead/analytics/spc"
	pb "fairlead/proto/gen/fairlead/v1"
)

// series is what a chart is drawn from, month by month.
type series struct {
	periods []spc.Period
	// rated says that the months have an exposure.
	rated bool
	base  float64
	// begin is the first month with a record; months before it are gaps in a
	// chart of plain counts.
	begin month
	// early says that some months lie before it.
	early bool
}

// chart answers a request for a chart.
func (s *Service) chart(q *question) (*pb.Chart, error) {
	g, err := s.gather(q)
	if err != nil {
		return nil, err
	}
	r := q.rules[0]
	t := g.tally(q, r)
	c := &pb.Chart{
		Definition: r.definition(q.convention), Scope: s.scopeWords(q), Period: q.period.message(), SequenceNumber: g.seq,
	}
	m, err := s.series(q, g, t)
	if err != nil {
		return nil, err
	}
	if q.kind == pb.ChartKind_CHART_KIND_C {
		m.dropExposure()
	}
	choice, err := spc.Choose(m.periods, m.base)
	if err != nil {
		return nil, err
	}
	options, ok := q.options(choice, m)
	if ok {
		options.Baseline = q.baseline
		if options.Baseline == 0 {
			options.Baseline = baselineFirst
		}
		err = q.draw(c, t, m, options)
	} else {
		q.tooFew(c, t, g.hours, m, choice)
	}
	if err != nil {
		return nil, err
	}
	c.KindReason = q.kindReason(choice, m, ok)
	q.chartCautions(c, g, t, m)
	return c, nil
}

// series lays out counts and exposure by month.
func (s *Service) series(q *question, g *gathered, t *tally) (*series, error) {
	m := &series{base: t.rule.base, rated: t.rule.form != plainCount}
	first, ok, err := s.facts.First(&pb.ReportFilter{Datasets: q.setsOrHere()}, nil)
	if err != nil {
		return nil, err
	}
	m.begin = q.period.end
	if ok {
		m.begin = monthOf(first)
	}
	for i, n := range t.byMonth {
		at := q.period.start + month(i)
		label, _, _ := figure.MonthLabel(at.year(), at.of())
		p := spc.Period{Label: label, Count: n}
		switch {
		case t.rule.form == perHours:
			p.Exposure, p.Missing = g.hours.hours[i], t.lack[i]
		case t.rule.form == perWorkers:
			p.Exposure, p.Missing = g.hours.heads[i], t.lack[i]
		default:
			p.Missing = at < m.begin
		}
		m.early = m.early || at < m.begin
		m.periods = append(m.periods, p)
	}
	return m, nil
}

func (q *question) setsOrHere() []string {
	if len(q.datasets) == 0 {
		return []string{here}
	}
	return q.datasets
}

// dropExposure makes a series of plain counts.
func (m *series) dropExposure() {
	m.rated = false
	for i := range m.periods {
		m.periods[i].Exposure, m.periods[i].Missing = 0, false
	}
}

// options returns what to draw: what was asked for, else what the data choose.
// ok is false when there is no chart.
func (q *question) options(choice spc.Choice, m *series) (o spc.Options, ok bool) {
	if choice.Periods == 0 {
		return o, false
	}
	switch q.kind {
	case pb.ChartKind_CHART_KIND_C:
		o.Kind = spc.C
	case pb.ChartKind_CHART_KIND_U:
		o.Kind, o.Base = spc.U, m.base
	default:
		o = choice.Options
		return o, choice.Kind == spc.C || choice.Kind == spc.U || choice.Kind == spc.LaneyU
	}
	o.Limits = spc.Sigma
	if choice.Mean < spc.SigmaMean {
		o.Limits, o.RunLength = spc.Probability, spc.MatchedRuns(choice.Mean)
	}
	return o, true
}

// draw computes the chart and puts it into the reply.
func (q *question) draw(c *pb.Chart, t *tally, m *series, o spc.Options) error {
	x, err := spc.New(m.periods, o)
	if err != nil {
		return err
	}
	rated := o.Kind != spc.C
	c.Kind, c.Unit = pb.ChartKind_CHART_KIND_C, t.rule.many+" a month"
	if rated {
		c.Kind, c.Unit = pb.ChartKind_CHART_KIND_U, t.rule.unit()
	}
	ph := x.Phases[0]
	if ph.Defined {
		c.Center = ptr(x.Center)
		c.BaselineStartMonth = (q.period.start + month(ph.BaselineFirst)).String()
		c.BaselineEndMonth = (q.period.start + month(ph.BaselineLast)).String()
	}
	for i, p := range x.Points {
		at := &pb.ChartPoint{Month: (q.period.start + month(i)).String(), Count: int64(m.periods[i].Count)}
		at.Baseline = ph.Defined && i >= ph.BaselineFirst && i <= ph.BaselineLast && !p.Missing
		if !p.Missing {
			at.Exposure, at.Value, at.Beyond = ptr(1), ptr(p.Value), p.Beyond != spc.Within
			if rated {
				at.Exposure = ptr(p.Exposure)
			}
			if p.HasLCL {
				at.Lower = ptr(p.LCL)
			}
			if p.HasUCL {
				at.Upper = ptr(p.UCL)
			}
		}
		c.Points = append(c.Points, at)
	}
	for _, sig := range x.Signals {
		c.Signals = append(c.Signals, q.signal(sig, o))
	}
	c.Sentence = x.Verdict(t.rule.words()).Sentence
	c.Method = method(x, c, t.rule)
	for _, note := range x.Notes {
		// Why a month is a gap is said better below, by who lacks what.
		if !strings.Contains(note, "left out as gaps: not known") {
			c.Cautions = append(c.Cautions, note)
		}
	}
	return nil
}

func (r rule) words() spc.Words {
	w := spc.Words{One: r.one, Many: r.many, Period: "month", Periods: "months", Exposure: "hours"}
	if r.form == perWorkers {
		w.Exposure = "workers"
	}
	return w
}

// signal says what a rule found and how seldom chance alone does it.
func (q *question) signal(s spc.Signal, o spc.Options) *pb.ChartSignal {
	first, last := s.Points[0], s.Points[len(s.Points)-1]
	out := &pb.ChartSignal{
		StartMonth: (q.period.start + month(first)).String(), EndMonth: (q.period.start + month(last)).String(), Above: s.Side == spc.Above,
	}
	switch {
	case s.Rule == spc.RunOneSide:
		out.Rule = fmt.Sprintf("run of %d %s the centre", len(s.Points), s.Side)
		out.Chance = "while nothing changes, chance begins such a run in fewer than 1 month in 256"
	case s.Side == spc.Above:
		out.Rule = "beyond upper limit"
	default:
		out.Rule = "beyond lower limit"
	}
	if s.Rule == spc.BeyondLimits {
		out.Chance = "while nothing changes, chance crosses this limit in about 1 month in 740"
		if o.Limits == spc.Probability {
			out.Chance = "while nothing changes, chance crosses this limit in at most 1 month in 740"
		}
	}
	return out
}

// method says how centre and limits were made, with the source.
func method(x spc.Chart, c *pb.Chart, r rule) string {
	over := "months"
	if c.Kind == pb.ChartKind_CHART_KIND_U {
		over = r.words().Exposure
	}
	runs := fmt.Sprintf("a run of %d months on one side of the centre", x.RunLength.Above)
	if x.RunLength.Below != x.RunLength.Above {
		runs = fmt.Sprintf("a run of %d months above the centre or %d below it (counts are lopsided: these are equally unlikely)", x.RunLength.Above, x.RunLength.Below)
	}
	s := fmt.Sprintf("%s. Centre: all %s over all %s of the baseline, %s to %s, then frozen. Signals: a month beyond a limit, or %s.",
		capital(x.Method), r.many, over, c.GetBaselineStartMonth(), c.GetBaselineEndMonth(), runs)
	if x.Kind == spc.LaneyU {
		return s + " Laney 2002, Quality Engineering 14:531-537."
	}
	return s + " Shewhart 1931; Montgomery, Introduction to Statistical Quality Control; exact limits: Poisson."
}

// tooFew fills in a reply without a chart: the counts, and what can be said of
// all months together.
func (q *question) tooFew(c *pb.Chart, t *tally, e *exposure, m *series, choice spc.Choice) {
	c.Kind, c.Unit = pb.ChartKind_CHART_KIND_TOO_FEW, t.rule.unit()
	if !m.rated {
		c.Unit = t.rule.many + " a month"
	}
	for i, p := range m.periods {
		at := &pb.ChartPoint{Month: (q.period.start + month(i)).String(), Count: int64(p.Count)}
		switch {
		case p.Missing:
		case !m.rated:
			at.Exposure, at.Value = ptr(1), ptr(float64(p.Count))
		case p.Exposure > 0:
			at.Exposure, at.Value = ptr(p.Exposure), ptr(float64(p.Count)*m.base/p.Exposure)
		}
		c.Points = append(c.Points, at)
	}
	if choice.Periods == 0 && m.rated {
		what := "hours"
		if t.rule.form == perWorkers {
			what = "head count"
		}
		c.Sentence = fmt.Sprintf("%s; %s, so there is nothing to chart.", capital(number(float64(t.count), t.rule.one, t.rule.many)), e.reason(t.lack, what))
		return
	}
	c.Sentence = fmt.Sprintf("%s in %s. Too few to say by month.", capital(number(float64(choice.Events), t.rule.one, t.rule.many)), number(float64(choice.Periods), "month", "months"))
	if m.rated {
		// The whole period may still say something.
		if v, err := q.value(t, e); err == nil && v.GetDefined() {
			c.Sentence = v.GetSentence() + " Too few to say by month."
		}
	}
	c.Method = "No chart. The figure is that of all months together, with its exact Poisson interval (Garwood 1936)."
}

// kindReason says why a chart is of its kind.
func (q *question) kindReason(choice spc.Choice, m *series, drawn bool) string {
	switch {
	case choice.Periods == 0 && m.rated:
		return "no month has what a rate is divided by; bring in the hours, or ask for a c-chart of the plain counts"
	case choice.Periods == 0:
		return "nothing is recorded yet in these months"
	case !drawn && choice.Kind == spc.T:
		return fmt.Sprintf("%s a month on average: most months are zero, and a zero says nothing on a monthly chart", spc.Number(choice.Mean))
	case !drawn:
		return fmt.Sprintf("%s in %s: a chart needs at least %d in %d", number(float64(choice.Events), "event", "events"), number(float64(choice.Periods), "month", "months"), spc.MinEvents, spc.MinPeriods)
	case q.kind != pb.ChartKind_CHART_KIND_UNSPECIFIED:
		return "it was asked for. Left to the data: " + strings.ToLower(choice.Reason[:1]) + choice.Reason[1:]
	}
	return choice.Reason
}

func (q *question) chartCautions(c *pb.Chart, g *gathered, t *tally, m *series) {
	c.Cautions = append([]string{cautionReports}, c.Cautions...)
	if !t.rule.riseIsWorse && t.rule.pick.ofReports() {
		c.Cautions = append(c.Cautions, cautionRising)
	}
	if !m.rated {
		c.Cautions = append(c.Cautions, "This chart counts; it knows no hours. More work or more people can raise it without more risk.")
	}
	if m.early {
		verb := "are left out, not counted as zero"
		if t.rule.form != plainCount {
			verb = "have hours but no record of any kind: their zeros may be silence"
		}
		if m.begin < q.period.end {
			c.Cautions = append(c.Cautions, fmt.Sprintf("The first record here is of %s; earlier months %s.", m.begin, verb))
		}
	}
	if m.rated && anyOf(t.lack) && c.GetKind() != pb.ChartKind_CHART_KIND_TOO_FEW {
		what := "hours"
		if t.rule.form == perWorkers {
			what = "head count"
		}
		c.Cautions = append(c.Cautions, capital(g.hours.reason(t.lack, what))+": gaps, not zeros.")
	}
	provisional := false
	for i, p := range c.Points {
		if m.rated && p.Exposure != nil && g.hours.provisional[i] {
			p.Provisional, provisional = true, true
		}
	}
	if provisional {
		c.Cautions = append(c.Cautions, "Months with a dotted stem rest on provisional hours and may move.")
	}
	c.Cautions = append(c.Cautions, t.notes(q, g.hours)...)
	c.Cautions = append(c.Cautions, q.common(g)...)
	c.Cautions = append(c.Cautions, q.convention.cautions...)
}
