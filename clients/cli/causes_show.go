package cli

import (
	"fmt"
	"math"
	"strings"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// unit is what an answer counts.
func unit(people bool) string {
	if people {
		return "people"
	}
	return "reports"
}

func causeHead(p *page.Page, scope string, period *pb.Period, sentence string) {
	p.Strong(fmt.Sprintf("%s, %s to %s", scope, period.GetStartMonth(), lastMonth(period)))
	p.Blank()
	p.Strong(sentence)
	p.Blank()
}

func causeFoot(p *page.Page, method, source string, cautions []string, seq int64) {
	p.Blank()
	p.Para(method, 0)
	p.Para(source, 0)
	p.Heading("Read with it")
	for _, c := range cautions {
		p.Item(c)
	}
	p.Blank()
	p.Linef("As at change %d.", seq)
}

// lead says how to see the reports behind a number.
func lead(p *page.Page, f *pb.ReportFilter) {
	if f == nil {
		return
	}
	p.Blank()
	p.Para("To see the reports behind a number, here of the first: fairlead list "+filterWords(f), 0)
}

// showPlaces shows workplaces in the order of the tree, with their hours.
func showPlaces(p *page.Page, r *pb.CauseRanking) {
	var rows [][]string
	add := func(x *pb.RankedCause, title, hours string) {
		rows = append(rows, []string{title, cell(x.GetCount()), percentOf(x.GetShare()), spread(x.GetShare()), hours})
	}
	if u := r.GetUnknown(); u != nil {
		add(u, headTitle(u.GetHead()), "")
	}
	for _, x := range r.GetRows() {
		hours := "not known"
		if x.Hours != nil {
			hours = page.Count(x.GetHours())
		}
		add(x, rowTitle(x.GetHead()), hours)
	}
	if r.GetOtherRows() > 0 {
		rows = append(rows, []string{fmt.Sprintf("%d others, not listed", r.GetOtherRows()), page.Count(float64(r.GetOthers())), "", "", ""})
	}
	p.Table([]page.Column{{Head: words.Of(r.GetDimension())}, {Head: unit(r.GetCountHarms()), Right: true},
		{Head: "share", Right: true}, {Head: "would fit", Right: true}, {Head: "hours", Right: true}}, rows)
	p.Blank()
	p.Para("To compare places by their hours: fairlead compute funnel; fairlead compute list funnel says what it wants.", 0)
}

func showRanking(p *page.Page, r *pb.CauseRanking) {
	causeHead(p, r.GetScope(), r.GetPeriod(), r.GetSentence())
	if r.GetHeldBackReason() != "" {
		return // the sentence says why
	}
	if r.GetDimension() == pb.Dimension_DIMENSION_WORKPLACE {
		showPlaces(p, r)
	} else {
		showRanks(p, r)
	}
	if len(r.GetRows()) > 0 {
		lead(p, r.GetRows()[0].GetFilter())
	}
	causeFoot(p, r.GetMethod(), r.GetSource(), r.GetCautions(), r.GetSequenceNumber())
}

// showRanks shows categories, most frequent first.
func showRanks(p *page.Page, r *pb.CauseRanking) {
	var rows [][]string
	if u := r.GetUnknown(); u != nil {
		rows = append(rows, []string{"", headTitle(u.GetHead()), cell(u.GetCount()), percentOf(u.GetShare()), spread(u.GetShare()), "of all"})
	}
	for _, x := range r.GetRows() {
		place := ""
		if x.GetRank() > 0 {
			place = fmt.Sprint(x.GetRank())
		}
		if x.GetTied() {
			place += "="
		}
		running := ""
		if x.RunningShare != nil {
			running = percent(x.GetRunningShare())
		}
		rows = append(rows, []string{place, rowTitle(x.GetHead()), cell(x.GetCount()), percentOf(x.GetShare()), spread(x.GetShare()), running})
	}
	if r.GetOtherRows() > 0 {
		rows = append(rows, []string{"", fmt.Sprintf("%d others, not listed", r.GetOtherRows()), page.Count(float64(r.GetOthers())), "", "", ""})
	}
	p.Table([]page.Column{{Head: "", Right: true}, {Head: words.Of(r.GetDimension())}, {Head: unit(r.GetCountHarms()), Right: true},
		{Head: "share", Right: true}, {Head: "would fit", Right: true}, {Head: "running", Right: true}}, rows)
}

func showCross(p *page.Page, r *pb.CauseCross, table bool) {
	causeHead(p, r.GetScope(), r.GetPeriod(), r.GetSentence())
	if r.GetHeldBackReason() != "" {
		return // the sentence says why
	}
	var rows [][]string
	for _, x := range r.GetPairs() {
		rows = append(rows, []string{pairMark(x), rowTitle(r.GetRowHeads()[x.GetRow()]), rowTitle(r.GetColumnHeads()[x.GetColumn()]),
			page.Count(float64(x.GetCount())), page.Rate(x.GetExpected()), page.Rate(x.GetLift()), oddsWords(x), small(x.GetQValue())})
	}
	if len(rows) > 0 {
		p.Table([]page.Column{{Head: ""}, {Head: words.Of(r.GetRows())}, {Head: words.Of(r.GetColumns())}, {Head: "together", Right: true},
			{Head: "by chance", Right: true}, {Head: "times", Right: true}, {Head: "odds ratio", Right: true}, {Head: "q", Right: true}}, rows)
		p.Blank()
		p.Linef("* more than chance, - less; q is the share of false finds at which a pair would be one.")
	}
	if table && len(r.GetRowHeads()) > 0 {
		p.Blank()
		crossTable(p, r)
	}
	p.Blank()
	line := fmt.Sprintf("%s in all; %s with both, %s without a %s, %s without a %s. %s tried, %s listed.", cell(r.GetTotal()), cell(r.GetKnown()),
		cell(r.GetRowsUnknown()), words.Of(r.GetRows()), cell(r.GetColumnsUnknown()), words.Of(r.GetColumns()), pairs(r.GetTried()), page.Count(float64(len(rows))))
	if w := r.GetWhole(); w != nil {
		line += fmt.Sprintf(" The table as a whole: chi-square %s on %d degrees of freedom, p %s, strength %s of 1.", page.Rate(w.GetChiSquare()), w.GetDegreesOfFreedom(), small(w.GetPValue()), page.Rate(w.GetCramersV()))
	}
	p.Para(line, 0)
	if len(r.GetPairs()) > 0 {
		lead(p, r.GetPairs()[0].GetFilter())
	}
	causeFoot(p, r.GetMethod(), r.GetSource(), r.GetCautions(), r.GetSequenceNumber())
}

func pairs(n int32) string {
	if n == 1 {
		return "1 pair"
	}
	return page.Count(float64(n)) + " pairs"
}

func pairMark(x *pb.CausePair) string {
	switch {
	case x.GetStands():
		return "*"
	case x.GetApart():
		return "-"
	}
	return ""
}

// crossTable prints the whole table, marked.
func crossTable(p *page.Page, r *pb.CauseCross) {
	marks := map[int]string{}
	width := len(r.GetColumnHeads())
	for _, x := range r.GetPairs() {
		marks[int(x.GetRow())*width+int(x.GetColumn())] = pairMark(x)
	}
	cols := []page.Column{{Head: ""}}
	for _, h := range r.GetColumnHeads() {
		cols = append(cols, page.Column{Head: rowTitle(h), Right: true})
	}
	var rows [][]string
	for i, h := range r.GetRowHeads() {
		row := []string{rowTitle(h)}
		for j := range width {
			row = append(row, cell(r.GetCounts()[i*width+j])+marks[i*width+j])
		}
		rows = append(rows, append(row, cell(h.GetTotal())))
	}
	all := []string{"all"}
	for _, h := range r.GetColumnHeads() {
		all = append(all, cell(h.GetTotal()))
	}
	p.Table(append(cols, page.Column{Head: "all", Right: true}), append(rows, append(all, cell(r.GetKnown()))))
}

func showClusters(p *page.Page, r *pb.CauseClusters) {
	causeHead(p, r.GetScope(), r.GetPeriod(), r.GetSentence())
	if r.GetHeldBackReason() != "" {
		return // the sentence says why
	}
	var rows [][]string
	for _, x := range r.GetClusters() {
		mark, chance := "", "likely"
		if x.GetStands() {
			mark = "*"
		}
		if x.GetPValue() < 0.5 {
			chance = small(x.GetPValue())
		}
		rows = append(rows, []string{mark, headTitle(x.GetWorkplace()), rowTitle(x.GetCategory()), x.GetStartMonth(), page.Count(float64(x.GetCount())),
			page.Rate(x.GetExpected()), page.Count(float64(x.GetTotal())), chance})
	}
	if len(rows) > 0 {
		p.Table([]page.Column{{Head: ""}, {Head: "where"}, {Head: words.Of(r.GetCategory())}, {Head: "since"}, {Head: unit(r.GetCountHarms()), Right: true},
			{Head: "expected", Right: true}, {Head: "in all", Right: true}, {Head: "by chance", Right: true}}, rows)
		p.Blank()
		p.Linef("* more than chance, at a false alarm of %s a search. Windows end with the period.", percent(r.GetFalseAlarmRate()))
	}
	for _, x := range r.GetClusters() {
		if x.GetStands() {
			p.Item(x.GetSentence())
		}
	}
	p.Blank()
	p.Para(fmt.Sprintf("%s in all, %s without a value; %s places and categories with enough to look at, %s windows.", cell(r.GetTotal()),
		cell(r.GetMissing().GetCount()), page.Count(float64(r.GetPairs())), page.Count(float64(r.GetWindows()))), 0)
	if len(r.GetClusters()) > 0 {
		lead(p, r.GetClusters()[0].GetFilter())
	}
	causeFoot(p, r.GetMethod(), r.GetSource(), r.GetCautions(), r.GetSequenceNumber())
}

func percentOf(p *pb.Proportion) string {
	if p == nil || p.Value == nil {
		return ""
	}
	return percent(p.GetValue())
}

func spread(p *pb.Proportion) string {
	if p == nil || p.Lower == nil {
		return ""
	}
	return strings.TrimSuffix(percent(p.GetLower()), " %") + " to " + percent(p.GetUpper())
}

// percent writes a share that is 0 or 100 only when it is.
func percent(v float64) string {
	switch {
	case v > 0 && v < 0.01:
		return "<1 %"
	case v < 1 && v > 0.99:
		return ">99 %"
	}
	return fmt.Sprintf("%.0f %%", math.Round(100*v))
}

// small writes a chance; what is very small is written as such.
func small(v float64) string {
	if v < 0.0001 {
		return "<0.0001"
	}
	return fmt.Sprintf("%.2g", v)
}

func oddsWords(x *pb.CausePair) string {
	value := "no end"
	if x.OddsRatio != nil {
		value = page.Rate(x.GetOddsRatio())
	}
	switch {
	case x.OddsLower == nil:
		return value
	case x.OddsUpper == nil:
		return value + " (" + page.Rate(x.GetOddsLower()) + " up)"
	}
	return value + " (" + page.Rate(x.GetOddsLower()) + " to " + page.Rate(x.GetOddsUpper()) + ")"
}
