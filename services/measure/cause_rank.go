package measure

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"fairlead/analytics/cause"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/cube"
	"fairlead/services/fault"
	"fairlead/services/guard"
)

const (
	causeMonths = 36
	rankRows    = 20
	maxRankRows = 500
	// maxCategories bounds what can be ranked: more categories than any list of
	// the scheme has, or than an organisation has workplaces.
	maxCategories = 100_000
)

// rankable are the dimensions that can be ranked.
var rankable = []pb.Dimension{
	pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_BREAKDOWN_AGENCY, pb.Dimension_DIMENSION_AGENCY,
	pb.Dimension_DIMENSION_NATURE, pb.Dimension_DIMENSION_BODILY_LOCATION, pb.Dimension_DIMENSION_WORKPLACE,
}

// rankQuestion is a request for a ranking, read and checked.
type rankQuestion struct {
	*causeQuestion
	rows int
}

func (s *view) readRank(ctx context.Context, req *pb.RankCausesRequest) (*rankQuestion, error) {
	var wrong fault.Violations
	level := readLevel(req.GetLevel(), &wrong)
	usual := rankRows
	if req.GetDimension() == pb.Dimension_DIMENSION_WORKPLACE {
		usual = maxRankRows // cut by the tree, a short list would leave out anything
	}
	rows := readCount("row_limit", req.GetRowLimit(), usual, maxRankRows, &wrong)
	d := side{field: "dimension", is: req.GetDimension()}
	if !slices.Contains(rankable, d.is) {
		d.flaw = "cannot be ranked: give MECHANISM, BREAKDOWN_AGENCY, AGENCY, NATURE, BODILY_LOCATION or WORKPLACE; Tabulate counts by the others"
	}
	q, err := s.readCauses(ctx, req, causeMonths, []side{d}, wrong)
	if err != nil {
		return nil, err
	}
	q.level = level
	return &rankQuestion{q, rows}, nil
}

// rank answers a request for a ranking.
func (s *Service) rank(q *rankQuestion) (*pb.CauseRanking, error) {
	c, b, err := s.count(q.causeQuestion, maxCategories, q.dims[0])
	if err != nil {
		return nil, err
	}
	var hours map[string]workedHours
	for seq := int64(-1); q.places() && seq != c.Seq; {
		if hours, seq, err = s.placeHours(q); err != nil {
			return nil, err
		}
		if seq == c.Seq {
			break
		}
		// Something was recorded in between: both are to be of one moment.
		if c, b, err = s.count(q.causeQuestion, maxCategories, q.dims[0]); err != nil {
			return nil, err
		}
	}
	if c.Counts == nil {
		return nil, fault.Invalid(fault.Violation{Field: "dimension", Description: fmt.Sprintf("has %s categories here, more than can be put in order: use a coarser code_level or narrow the filter", whole(float64(c.Cells())))})
	}
	hidden, total := make([]bool, len(c.Counts)), true
	if q.guarded {
		hidden, total = guard.List(c.Counts, q.smallest)
	}
	r := &ranking{s: s, hours: hours, q: q, cube: c, side: c.Sides[0], hidden: hidden, total: total}
	out, err := r.build()
	if err != nil {
		return nil, err
	}
	out.Scope, out.SequenceNumber = s.scopeWords(&q.question), c.Seq
	out.Sentence = r.sentence(out)
	how := " Those without a value stand first and outside the order; shares are of those with a value, with exact limits. The gap between neighbours is tested as if both were equally common (binomial, two-sided)."
	if q.places() {
		how = placesHow
	}
	out.Method = q.countedHow() + how
	out.Source = "Intervals: Clopper and Pearson 1934, Biometrika 26:404-413."
	out.Cautions = append([]string{cautionMost}, q.cautions(b, out.GetHeldBack(), out.GetUnreviewed())...)
	if n := r.unspecified(); n > 0 && !r.veiled() && !q.small(n) {
		out.Cautions = append(out.Cautions, fmt.Sprintf("%s of %s codes (%s) say no more than unspecified.",
			whole(float64(n)), whole(float64(r.pareto.Known)), percent(float64(n)/float64(r.pareto.Known))))
	}
	if q.places() {
		out.Cautions[0] = cautionPlaces
	}
	return out, nil
}

// ranking is a ranking in the making.
type ranking struct {
	s *Service
	// hours are those of workplaces, where workplaces are listed.
	hours map[string]workedHours

	q    *rankQuestion
	cube *cube.Cube
	side cube.Side
	// hidden says which counts must be held back; total is false when their sum
	// must be too.
	hidden []bool
	total  bool
	pareto cause.Pareto
	// at leads from a row of the list to its category.
	at map[string]int
	// shown are the places of the rows that have a count.
	shown []int
}

// veiled says that the number without a value is held back: then nothing may
// tell how many have one.
func (r *ranking) veiled() bool { return r.side.Known() == 1 && r.hidden[0] || !r.total }

func (r *ranking) build() (*pb.CauseRanking, error) {
	q := r.q
	out := &pb.CauseRanking{Dimension: q.dims[0], CodeLevel: q.codeLevel, CountHarms: q.harms, Period: q.period.message(),
		Total: r.cube.Total, Level: q.level}
	first, unknown := r.side.Known(), r.side.Unknown()
	var categories []cause.Category
	r.at = map[string]int{}
	for i := first; i < len(r.side.Heads); i++ {
		key := r.side.Heads[i].GetKey()
		categories = append(categories, cause.Category{Label: key, Count: int(r.cube.Counts[i])})
		r.at[key] = i
	}
	var err error
	if r.pareto, err = cause.ParetoOf(categories, int(unknown), q.level); err != nil {
		return nil, fmt.Errorf("measure: rank: %w", err)
	}
	if !r.total {
		out.Total = guard.HeldBack
	}
	if out.Missing, err = proportion(unknown, r.cube.Total, q.level, r.veiled()); err != nil {
		return nil, err
	}
	if out.Unreviewed, err = unreviewed(r.side, q.level, r.veiled()); err != nil {
		return nil, err
	}
	if first == 1 {
		out.Unknown = r.row(0)
		if out.Unknown.Share, err = proportion(unknown, r.cube.Total, q.level, r.veiled()); err != nil {
			return nil, err
		}
	}
	if q.places() {
		r.listPlaces(out)
	} else {
		r.list(out)
	}
	return out, nil
}

// unspecified counts the codes that say, by their title, nothing in particular.
func (r *ranking) unspecified() (n int64) {
	for i, h := range r.side.Heads {
		if h.GetFacet() != pb.Facet_FACET_UNSPECIFIED && !r.hidden[i] && strings.Contains(strings.ToLower(h.GetTitle()), "unspecified") {
			n += r.cube.Counts[i]
		}
	}
	return n
}

// row makes a row of a category, without its place in the order.
func (r *ranking) row(i int) *pb.RankedCause {
	h := r.side.Heads[i]
	out := &pb.RankedCause{Head: &pb.TableHead{Key: h.GetKey(), Title: h.GetTitle(), Total: h.GetTotal(), Facet: h.GetFacet()},
		Count: r.cube.Counts[i], Reports: r.cube.Reports[i], Filter: r.q.leadTo(h.GetKey())}
	if r.hidden[i] {
		out.Head.Total, out.Count, out.Reports = guard.HeldBack, guard.HeldBack, guard.HeldBack
	}
	return out
}

// list puts the rows in order: those with a count, whole ties together, then by
// key those whose count is held back.
func (r *ranking) list(out *pb.CauseRanking) {
	var veiled []int
	for n, p := range r.pareto.Rows {
		if r.hidden[r.at[p.Label]] {
			veiled = append(veiled, n)
		} else {
			r.shown = append(r.shown, n)
		}
	}
	rows, end := r.pareto.Rows, len(r.shown)
	if end > r.q.rows {
		end = r.q.rows
		same := func(i int) bool { return rows[r.shown[i]].Count == rows[r.shown[i-1]].Count }
		for end > 0 && same(end) {
			end--
		}
		if end == 0 {
			// The tie at the top is longer than the list was meant to be.
			for end = 1; end < len(r.shown) && same(end); end++ {
			}
		}
	}
	for k, n := range r.shown {
		p := rows[n]
		if k >= end {
			out.Others += int64(p.Count)
			out.OtherRows++
			continue
		}
		row := r.row(r.at[p.Label])
		row.Rank = int32(p.Rank)
		row.Tied = k > 0 && rows[r.shown[k-1]].Count == p.Count || k+1 < len(r.shown) && rows[r.shown[k+1]].Count == p.Count
		if r.veiled() {
			row.Share = &pb.Proportion{Count: guard.HeldBack, Of: guard.HeldBack}
		} else {
			row.Share = &pb.Proportion{Count: int64(p.Count), Of: int64(r.pareto.Known), Value: ptr(p.Share.Value), Lower: ptr(p.Share.Lo), Upper: ptr(p.Share.Hi)}
			row.RunningShare = ptr(p.Running)
		}
		// The gap to a count that is held back would give it away.
		if n+1 < len(rows) && !r.hidden[r.at[rows[n+1].Label]] {
			row.GapPValue = ptr(max(p.Apart, leastP))
		}
		out.Rows = append(out.Rows, row)
	}
	out.HeldBack = int32(len(veiled))
	if len(out.Rows)+len(veiled) <= max(r.q.rows, len(out.Rows)) {
		slices.SortFunc(veiled, func(a, b int) int { return cmp.Compare(rows[a].Label, rows[b].Label) })
		for _, n := range veiled {
			out.Rows = append(out.Rows, r.row(r.at[rows[n].Label]))
		}
	}
	if r.side.Known() == 1 && r.hidden[0] {
		out.HeldBack++
	}
}

// sentence says in words what the ranking says.
func (r *ranking) sentence(out *pb.CauseRanking) string {
	q := r.q
	what := dimensionNames[q.dims[0]]
	_, many := q.unit()
	switch {
	case r.cube.Total == 0:
		return fmt.Sprintf("No %s in this period.", many)
	case len(r.pareto.Rows) == 0 && r.veiled():
		return fmt.Sprintf("No %s with %s, and fewer than %d without.", many, article(what), q.smallest)
	case len(r.pareto.Rows) == 0:
		return fmt.Sprintf("None of %s has %s yet.", q.how(r.cube.Total), article(what))
	case len(r.shown) == 0:
		return "All counts are held back: they are too small to show without pointing at a person."
	case q.places():
		return r.placesSentence()
	}
	rows := r.pareto.Rows
	top := rows[r.shown[0]]
	var tied []string
	for _, n := range r.shown {
		if rows[n].Count == top.Count {
			tied = append(tied, named(r.side.Heads[r.at[rows[n].Label]]))
		}
	}
	of := ""
	if !r.veiled() {
		of = fmt.Sprintf(" of %s with %s", whole(float64(r.pareto.Known)), article(what))
	}
	var s string
	if len(tied) > 1 {
		s = fmt.Sprintf("Equally often, %s each%s: %s.", q.how(int64(top.Count)), of, some(tied, 3))
	} else {
		s = fmt.Sprintf("Most often: %s, %s%s", tied[0], q.how(int64(top.Count)), of)
		if !r.veiled() {
			s += fmt.Sprintf(" (%s; %s to %s would fit)", percent(top.Share.Value), strings.TrimSuffix(percent(top.Share.Lo), " %"), percent(top.Share.Hi))
		}
		s += "."
		if len(r.shown) > 1 && r.shown[1] == 1 && top.Apart >= 0.05 {
			s += fmt.Sprintf(" Its lead over %s (%s) is no more than chance.", named(r.side.Heads[r.at[rows[1].Label]]), whole(float64(rows[1].Count)))
		}
	}
	if u := r.side.Unknown(); u > 0 && !r.veiled() {
		s += fmt.Sprintf(" %s none", number(float64(u), "has", "have"))
		second := 0
		if len(rows) > 1 {
			second = rows[1].Count
		}
		if int(u) > top.Count-second && len(rows) > 1 {
			s += ", enough to change what is on top"
		}
		s += "."
	}
	return s
}
