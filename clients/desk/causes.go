package desk

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"fairlead/analytics/figure"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// causeMonths is how far back the page of causes looks by itself.
const causeMonths = 36

// causeAsk is what the page of causes is asked for, beside the scope.
type causeAsk struct{ What, With, Pile, Basis, Kind, Potential string }

// causeFields is how the form shows the fields of the three questions.
var causeFields = map[string]shown{"dimension": {"What", "what"}, "rows": {"What", "what"}, "columns": {"Crossed with", "with"}, "category": {"Piling up", "pile"},
	"what": {"What", "what"}, "with": {"Crossed with", "with"}, "pile": {"Piling up", "pile"},
	"workplace": {"Where", "workplace"}, "workplaces": {"Where", "workplace"}, "months": {"Months", "months"}, "until": {"Up to", "until"},
	"start_month": {"Months", "months"}, "end_month": {"Up to", "until"}, "period": {"Months", "months"}, "datasets": {"Data set", "dataset"},
	"code_level": {"Codes", "level"}, "kind": {"Kind", "kind"}, "potential": {"Could have been", "potential"}, "basis": {"Compared with", "basis"}, "as_at": {"As it stood at", "as_at"}, "level": {"Codes", "level"}}

// chosen reads a choice of a list; what is not on it is a flaw.
func chosen[E words.Enum](q url.Values, name, usual string, wrong *[]flaw) (slug string, value E) {
	slug = q.Get(name)
	if slug == "" {
		slug = usual
	}
	if slug == "" {
		return "", value
	}
	value, err := words.Parse[E](slug)
	if err != nil {
		*wrong = append(*wrong, bad(name, "choose one of the list"))
	}
	return slug, value
}

// causes is "what happens most, and with what": a ranking, a cross-table and
// what has lately piled up, over the same reports.
func (d *desk) causes(v *visit) {
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	q := v.r.URL.Query()
	s, err := d.scopeThen(v, q, causeMonths, places)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	if s.Level == "" {
		s.Level = "2"
	}
	level, err := strconv.Atoi(s.Level)
	if err != nil || level < 0 || level > 4 {
		s.wrong = append(s.wrong, bad("level", "choose one of the list"))
	}
	var ask causeAsk
	var what, with, pile pb.Dimension
	var basis pb.ClusterBasis
	var kind pb.ReportKind
	var potential pb.PotentialSeverity
	ask.What, what = chosen[pb.Dimension](q, "what", "mechanism", &s.wrong)
	ask.With, with = chosen[pb.Dimension](q, "with", "potential", &s.wrong)
	ask.Pile, pile = chosen[pb.Dimension](q, "pile", "kind", &s.wrong)
	ask.Basis, basis = chosen[pb.ClusterBasis](q, "basis", "all-places", &s.wrong)
	ask.Kind, kind = chosen[pb.ReportKind](q, "kind", "", &s.wrong)
	ask.Potential, potential = chosen[pb.PotentialSeverity](q, "potential", "", &s.wrong)
	f := &pb.ReportFilter{Datasets: s.datasets()}
	if s.Workplace != "" {
		f.Workplaces = []string{s.Workplace}
	}
	if kind != 0 {
		f.Kinds = []pb.ReportKind{kind}
	}
	if potential != 0 {
		f.Potentials = []pb.PotentialSeverity{potential}
	}
	data := map[string]any{"Places": places, "Ask": ask}
	code := http.StatusOK
	if len(s.wrong) == 0 {
		rank := &pb.RankCausesRequest{Filter: f, Period: s.period(), Dimension: what, CodeLevel: int32(level), CountHarms: s.Harms, IncludeSvg: true, MinSequenceNumber: v.written, AsAt: s.past.message()}
		cross := &pb.CrossCausesRequest{Filter: f, Period: s.period(), Rows: what, Columns: with, CodeLevel: int32(level), CountHarms: s.Harms, PairLimit: 2000, IncludeSvg: true, MinSequenceNumber: v.written, AsAt: s.past.message()}
		clusters := &pb.FindClustersRequest{Filter: f, Period: s.period(), Category: pile, CodeLevel: int32(level), CountHarms: s.Harms, Basis: basis, MinSequenceNumber: v.written, AsAt: s.past.message()}
		list, err := d.askCauses(v, data, rank, cross, clusters)
		if err != nil {
			d.problem(v.w, v, err)
			return
		}
		s.wrong = list
		if why := heldBack(data); why != "" && kind == 0 && !s.Harms {
			// The same of what nobody was hurt by is told to everybody who may
			// see numbers: rather that, and said, than nothing.
			f.Kinds = nobodyHurt
			if s.wrong, err = d.askCauses(v, data, rank, cross, clusters); err != nil {
				d.problem(v.w, v, err)
				return
			}
			data["Narrowed"] = why
		}
	}
	if len(s.wrong) > 0 {
		data["Flaws"], code = located(s.wrong, causeFields), http.StatusUnprocessableEntity
	}
	data["Scope"] = s
	d.pages.render(v.w, code, "causes", view{Title: "What happens most, and with what", Here: "numbers", Visit: v, Past: s.past, Data: data})
}

// nobodyHurt are the kinds of reports in which nobody was hurt.
var nobodyHurt = []pb.ReportKind{pb.ReportKind_REPORT_KIND_HAZARD, pb.ReportKind_REPORT_KIND_NEAR_MISS}

// heldBack says why the ranking is held back as a whole; "" when it is not.
func heldBack(data map[string]any) string {
	if r, ok := data["Rank"].(*pb.CauseRanking); ok {
		return r.GetHeldBackReason()
	}
	return ""
}

// askCauses asks the three questions. What is wrong with any of them is a flaw
// of the form; then none is answered.
func (d *desk) askCauses(v *visit, data map[string]any, rank *pb.RankCausesRequest, cross *pb.CrossCausesRequest, clusters *pb.FindClustersRequest) ([]flaw, error) {
	var wrong []flaw
	note := func(err error) error {
		list, isBad := flaws(err)
		if err != nil && !isBad {
			return err
		}
		for _, f := range list {
			// The questions share most fields, and say the same of them.
			if !slices.ContainsFunc(wrong, func(g flaw) bool { return g.Words == f.Words }) {
				wrong = append(wrong, f)
			}
		}
		return nil
	}
	r, err := d.numbers.RankCauses(v.ctx(), rank)
	if err := note(err); err != nil {
		return nil, err
	}
	c, err := d.numbers.CrossCauses(v.ctx(), cross)
	if err := note(err); err != nil {
		return nil, err
	}
	p, err := d.numbers.FindClusters(v.ctx(), clusters)
	if err := note(err); err != nil {
		return nil, err
	}
	if len(wrong) > 0 {
		return wrong, nil
	}
	data["Rank"], data["Cross"], data["Clusters"] = r, crossed(c), p
	data["Cautions"] = once(r.GetCautions(), c.GetCautions(), p.GetCautions())
	return nil, nil
}

// once joins lists, each entry once.
func once(lists ...[]string) (out []string) {
	for _, list := range lists {
		for _, s := range list {
			if !slices.Contains(out, s) {
				out = append(out, s)
			}
		}
	}
	return out
}

// crossTable is a cross-table as the page shows it.
type crossTable struct {
	*pb.CauseCross
	// Found are the pairs that stand, Apart those that are apart.
	Found, Apart []crossPair
	// Grid is the whole table, when it is small enough to be read.
	Grid []crossRow
}

// crossPair is a pair with its heads.
type crossPair struct {
	*pb.CausePair
	RowHead, ColumnHead *pb.TableHead
}

// crossRow is a row of the whole table.
type crossRow struct {
	Head  *pb.TableHead
	Cells []crossCell
}

// crossCell is one cell: its count, and its pair where it was listed.
type crossCell struct {
	Count int64
	Pair  *pb.CausePair
}

// maxGridCells is how large a table the page shows whole; a larger one is for
// the command line, or for coarser codes.
const maxGridCells = 1200

func crossed(c *pb.CauseCross) crossTable {
	out := crossTable{CauseCross: c}
	pairs := map[int]*pb.CausePair{}
	width := len(c.GetColumnHeads())
	for _, p := range c.GetPairs() {
		pairs[int(p.GetRow())*width+int(p.GetColumn())] = p
		with := crossPair{p, c.GetRowHeads()[p.GetRow()], c.GetColumnHeads()[p.GetColumn()]}
		if p.GetStands() {
			out.Found = append(out.Found, with)
		}
		if p.GetApart() {
			out.Apart = append(out.Apart, with)
		}
	}
	if width*len(c.GetRowHeads()) > maxGridCells {
		return out
	}
	for i, h := range c.GetRowHeads() {
		row := crossRow{Head: h}
		for j := range width {
			row.Cells = append(row.Cells, crossCell{c.GetCounts()[i*width+j], pairs[i*width+j]})
		}
		out.Grid = append(out.Grid, row)
	}
	return out
}

// headWords names a category within a sentence, a code after its title.
func headWords(h *pb.TableHead) string {
	if h.GetFacet() != pb.Facet_FACET_UNSPECIFIED && h.GetKey() != "" && h.GetTitle() != h.GetKey() {
		return h.GetTitle() + " (" + h.GetKey() + ")"
	}
	return h.GetTitle()
}

// heldOr writes a count, or that it is held back.
func heldOr(n int64) string {
	if n < 0 {
		return "held back"
	}
	return figure.Count(float64(n))
}

// chanceWords writes a small chance.
func chanceWords(p float64) string {
	switch {
	case p < 0.0001:
		return "under 0.0001"
	case p < 0.01:
		return figure.Number(p, 4)
	case p < 0.1:
		return figure.Number(p, 3)
	case p > 0.995 && p < 1:
		return "over 0.99"
	}
	return figure.Number(p, 2)
}

// timesWords writes how many times as often, or an odds ratio: two figures below
// one, since there are as many of those as above.
func timesWords(v float64) string {
	switch {
	case v > 0 && v < 0.005:
		return "under 0.01"
	case v < 1:
		return figure.Number(v, 2)
	}
	return fewWords(v)
}

// fewWords writes what is to be expected, or how many times as often.
func fewWords(v float64) string {
	switch {
	case v > 0 && v < 0.05:
		return "under 0.1"
	case v < 100:
		return figure.Number(v, 1)
	}
	return figure.Number(v, 0)
}

// partWords writes a share in whole per cent that is 0 or 100 only when it is.
func partWords(v float64) string {
	switch {
	case v > 0 && v < 0.01:
		return "under 1 %"
	case v < 1 && v > 0.99:
		return "over 99 %"
	}
	return figure.Number(100*v, 0) + " %"
}

func shareWords(p *pb.Proportion) string {
	if p == nil || p.Value == nil {
		return ""
	}
	return partWords(p.GetValue())
}

func spreadWords(p *pb.Proportion) string {
	if p == nil || p.Lower == nil {
		return ""
	}
	return strings.TrimSuffix(partWords(p.GetLower()), " %") + " to " + partWords(p.GetUpper())
}

// oddsWords writes an odds ratio with its interval.
func oddsWords(p *pb.CausePair) string {
	value := "no end"
	if p.OddsRatio != nil {
		value = timesWords(p.GetOddsRatio())
	}
	switch {
	case p.OddsLower == nil:
		return value
	case p.OddsUpper == nil:
		return value + " (" + timesWords(p.GetOddsLower()) + " up)"
	}
	return value + " (" + timesWords(p.GetOddsLower()) + " to " + timesWords(p.GetOddsUpper()) + ")"
}
