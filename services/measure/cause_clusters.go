package measure

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"

	"fairlead/analytics/cause"
	"fairlead/analytics/dist"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/cube"
	"fairlead/services/fault"
	"fairlead/services/guard"
)

const (
	clusterMonths = 36
	leastMonths   = 4
	clusterWindow = 12
	clusterCount  = 3
	clusterRows   = 10
	maxClusters   = 100
	// maxGridCells bounds places × categories × months.
	maxGridCells = 5_000_000
)

// clusterQuestion is a request for clusters, read and checked.
type clusterQuestion struct {
	*causeQuestion
	basis   pb.ClusterBasis
	longest int
	least   int
	rate    float64
	rows    int
	// alone says that one place was found to hold everything.
	alone bool
}

func (s *view) readClusters(ctx context.Context, req *pb.FindClustersRequest) (*clusterQuestion, error) {
	var wrong fault.Violations
	x := &clusterQuestion{basis: req.GetBasis(), rate: readRate("false_alarm_rate", req.GetFalseAlarmRate(), &wrong),
		rows: readCount("cluster_limit", req.GetClusterLimit(), clusterRows, maxClusters, &wrong)}
	if x.basis == pb.ClusterBasis_CLUSTER_BASIS_UNSPECIFIED {
		x.basis = pb.ClusterBasis_CLUSTER_BASIS_ALL_PLACES
	}
	if _, ok := pb.ClusterBasis_name[int32(x.basis)]; !ok {
		wrong.Add("basis", "must be REPORT_MIX, ALL_PLACES or OWN_PAST; leave it out for ALL_PLACES")
	}
	category := side{field: "category", is: req.GetCategory()}
	switch category.is {
	case pb.Dimension_DIMENSION_WORKPLACE, pb.Dimension_DIMENSION_MONTH, pb.Dimension_DIMENSION_YEAR, pb.Dimension_DIMENSION_DATASET:
		category.flaw = "says where, when or whence, not what: give a classification, kind, outcome or worst credible outcome"
	}
	least := readCount("min_count", req.GetMinCount(), clusterCount, 1_000_000, &wrong)
	longest := readCount("longest_window", req.GetLongestWindow(), clusterWindow, 120, &wrong)
	q, err := s.readCauses(ctx, req, clusterMonths, []side{{field: "category", is: pb.Dimension_DIMENSION_WORKPLACE}, category}, wrong)
	if err != nil {
		return nil, err
	}
	wrong = nil
	if q.period.len() < leastMonths {
		wrong.Add("period", fmt.Sprintf("has %s; at least %d are needed, for what is lately to be set against what was before", number(float64(q.period.len()), "month", "months"), leastMonths))
	} else if req.GetLongestWindow() > 0 && longest > q.period.len()/2 {
		wrong.Add("longest_window", fmt.Sprintf("must be at most half of the period, %d months", q.period.len()/2))
	}
	if err := wrong.Err(); err != nil {
		return nil, err
	}
	q.level = 0.95
	x.causeQuestion, x.longest, x.least = q, min(longest, q.period.len()/2), least
	if q.guarded {
		x.least = max(least, int(q.smallest))
	}
	return x, nil
}

// clusters answers a request for clusters.
func (s *Service) clusters(q *clusterQuestion) (*pb.CauseClusters, error) {
	c, b, err := s.count(q.causeQuestion, maxGridCells, q.dims[0], q.dims[1], pb.Dimension_DIMENSION_MONTH)
	if err != nil {
		return nil, err
	}
	if c.Counts == nil {
		return nil, fault.Invalid(fault.Violation{Field: "category", Description: fmt.Sprintf(
			"%d workplaces × %d categories × %d months are more than can be searched: use a coarser code_level, a shorter period or fewer workplaces",
			len(c.Sides[0].Heads), len(c.Sides[1].Heads), len(c.Sides[2].Heads))})
	}
	out := &pb.CauseClusters{Category: q.dims[1], CodeLevel: q.codeLevel, CountHarms: q.harms, Period: q.period.message(), Basis: q.basis,
		Total: c.Total, LongestWindow: int32(q.longest), MinCount: int32(q.least), FalseAlarmRate: q.rate, Scope: s.scopeWords(&q.question),
		SequenceNumber: c.Seq, Places: int32(len(c.Sides[0].Heads)), Categories: int32(len(c.Sides[1].Heads) - c.Sides[1].Known()),
		Source: "Kulldorff 2001, Journal of the Royal Statistical Society A 164:61-72; Kulldorff and others 2005, PLoS Medicine 2:e59."}
	unknown := c.Sides[1].Unknown()
	veiled := q.small(unknown) || q.small(c.Total)
	if veiled {
		out.Total = guard.HeldBack
	}
	if out.Missing, err = proportion(unknown, c.Total, q.level, veiled); err != nil {
		return nil, err
	}
	if out.Unreviewed, err = unreviewed(c.Sides[1], q.level, veiled); err != nil {
		return nil, err
	}
	if err := q.search(out, c); err != nil {
		return nil, err
	}
	out.Sentence = q.sentence(out, c.Total)
	out.Method = q.method(out)
	out.Cautions = append([]string{cautionTogether}, q.cautions(b, out.GetHeldBack(), nil, out.GetUnreviewed())...)
	out.Cautions = append(out.Cautions, q.basisCaution())
	if out.GetBlind() > 0 {
		out.Cautions = append(out.Cautions, fmt.Sprintf("%s at least half of their category, and cannot stand out against other places: watch them by a chart, or compare with their own past.",
			capital(number(float64(out.GetBlind()), "place holds", "places hold"))))
	}
	if q.harms {
		out.Cautions = append(out.Cautions, cautionPersons)
	}
	return out, nil
}

// gridOf lays the counts out by place, category and month of the period.
func (q *clusterQuestion) gridOf(c *cube.Cube) cause.Grid {
	places, categories, months := c.Sides[0], c.Sides[1], c.Sides[2]
	first := categories.Known()
	g := cause.Grid{Places: len(places.Heads), Kinds: len(categories.Heads) - first, Periods: q.period.len()}
	g.Counts = make([]int, g.Places*g.Kinds*g.Periods)
	if q.basis == pb.ClusterBasis_CLUSTER_BASIS_REPORT_MIX {
		g.Exposure = make([]float64, g.Places*g.Periods)
	}
	for t, h := range months.Heads {
		m, ok := parseMonth(h.GetKey())
		if !ok || !q.period.has(m) {
			continue
		}
		at := q.period.index(m)
		for p := range g.Places {
			for k := range g.Kinds {
				n := int(c.Counts[c.At(p, k+first, t)])
				g.Counts[(p*g.Kinds+k)*g.Periods+at] = n
				if g.Exposure != nil {
					g.Exposure[p*g.Periods+at] += float64(n)
				}
			}
		}
	}
	return g
}

// search scans the grid and lists the clearest windows.
func (q *clusterQuestion) search(out *pb.CauseClusters, c *cube.Cube) error {
	g := q.gridOf(c)
	if g.Places == 0 || g.Kinds == 0 {
		return nil
	}
	// One place alone has no other to be compared with.
	q.alone = g.Places == 1
	r, err := cause.Scan(g, cause.ScanOptions{Longest: q.longest, MinCases: q.least, Show: q.rows,
		OwnPast: q.alone || q.basis != pb.ClusterBasis_CLUSTER_BASIS_ALL_PLACES})
	if err != nil {
		return fmt.Errorf("measure: clusters: %w", err)
	}
	out.Pairs, out.Windows, out.Blind, out.Method = int32(r.Pairs), int32(r.Windows), int32(r.Blind), r.Method
	for _, found := range r.Clusters {
		// What came before the window may be so little that it points at someone.
		if q.small(int64(found.Total - found.Count)) {
			out.HeldBack++
			continue
		}
		x := q.cluster(c, g, found)
		if q.small(x.GetReports()) {
			out.HeldBack++
			continue
		}
		if x.GetStands() {
			out.Standing++
		}
		out.Clusters = append(out.Clusters, x)
	}
	return nil
}

func (q *clusterQuestion) cluster(c *cube.Cube, g cause.Grid, found cause.Cluster) *pb.CauseCluster {
	place, kind := c.Sides[0].Heads[found.Place], found.Kind+c.Sides[1].Known()
	category := c.Sides[1].Heads[kind]
	from := q.period.start + month(found.From)
	head := func(h *pb.TableHead, total int64) *pb.TableHead {
		return &pb.TableHead{Key: h.GetKey(), Title: h.GetTitle(), Facet: h.GetFacet(), Total: total}
	}
	x := &pb.CauseCluster{Workplace: head(place, int64(found.Total)), Category: head(category, int64(found.Total)),
		StartMonth: from.String(), Months: int32(found.Periods), Count: int64(found.Count), Expected: found.Expected, Total: int64(found.Total),
		LogLikelihoodRatio: found.LR, PValue: found.PValue, Stands: found.PValue <= q.rate}
	for t, h := range c.Sides[2].Heads {
		if m, ok := parseMonth(h.GetKey()); ok && m >= from && m < q.period.end {
			x.Reports += c.Reports[c.At(found.Place, kind, t)]
		}
	}
	if x.Filter = q.leadTo(place.GetKey(), category.GetKey()); x.Filter != nil {
		x.Filter.StartDate = from.String() + "-01"
	}
	q.others(x, g, found)
	x.Sentence = q.clusterSentence(x)
	return x
}

// others says what else the place reported in the window, and how much was to be
// expected by the same comparison.
func (q *clusterQuestion) others(x *pb.CauseCluster, g cause.Grid, found cause.Cluster) {
	if q.basis == pb.ClusterBasis_CLUSTER_BASIS_REPORT_MIX {
		return
	}
	var here, lately, all, allLately int
	for i, n := range g.Counts {
		p, k, t := i/(g.Kinds*g.Periods), i/g.Periods%g.Kinds, i%g.Periods
		if k == found.Kind {
			continue
		}
		if all += n; t >= found.From {
			allLately += n
		}
		if p == found.Place {
			if here += n; t >= found.From {
				lately += n
			}
		}
	}
	if here == 0 || q.small(int64(lately)) || q.small(int64(here-lately)) {
		return
	}
	share := float64(found.Periods) / float64(g.Periods)
	if !q.alone && q.basis == pb.ClusterBasis_CLUSTER_BASIS_ALL_PLACES && all > 0 {
		share = float64(allLately) / float64(all)
	}
	x.Others, x.OthersExpected = proto.Int64(int64(lately)), ptr(share*float64(here))
}

func (q *clusterQuestion) clusterSentence(x *pb.CauseCluster) string {
	s := fmt.Sprintf("%s, %s: %s in the last %s, where %s would be expected.", x.GetWorkplace().GetTitle(), named(x.GetCategory()),
		q.how(x.GetCount()), lastMonths(int(x.GetMonths())), few(x.GetExpected()))
	if !x.GetStands() {
		return s + " No more than chance."
	}
	s += fmt.Sprintf(" More than chance: as clear a one turns up by chance %s such searches.", chance(x.GetPValue()))
	if x.Others != nil {
		s += fmt.Sprintf(" All else reported there in that time: %s, where %s would be expected", whole(float64(x.GetOthers())), few(x.GetOthersExpected()))
		if moreThanChance(x.GetOthers(), x.GetOthersExpected()) {
			s += "; that rose too, so ask first whether the telling has changed"
		}
		s += "."
	}
	switch x.GetCategory().GetKey() {
	case pb.ReportKind_REPORT_KIND_NEAR_MISS.String(), pb.ReportKind_REPORT_KIND_HAZARD.String():
		s += " More of these told is good news or no news, not a warning."
	}
	return s
}

// moreThanChance says whether a count is above what is expected by more than
// chance, at 5 % (Poisson, one-sided).
func moreThanChance(n int64, expected float64) bool {
	d, err := dist.NewPoisson(expected)
	return err == nil && float64(n) > expected && d.Survival(int(n)) < 0.05
}

func lastMonths(n int) string {
	if n == 1 {
		return "month"
	}
	return fmt.Sprintf("%d months", n)
}

// sentence says in words what the search says.
func (q *clusterQuestion) sentence(out *pb.CauseClusters, total int64) string {
	_, many := q.unit()
	switch {
	case total == 0:
		return fmt.Sprintf("No %s in this period.", many)
	case out.GetPairs() == 0:
		return fmt.Sprintf("Too few to say: nowhere are there %d of one %s.", q.least, dimensionNames[q.dims[1]])
	case q.basis == pb.ClusterBasis_CLUSTER_BASIS_REPORT_MIX && out.GetCategories() == 1:
		return "Nothing can be said: where all is of one category, its share cannot change. Compare with all places, or with its own past."
	case out.GetStanding() == 0 && out.GetBlind() == out.GetPairs():
		return "Nothing can be said: every place holds so much of its category that it cannot stand out. Compare with its own past."
	case out.GetStanding() == 0 && out.GetHeldBack() > 0:
		return "Nothing that can be shown has lately piled up more than chance would have it."
	case out.GetStanding() == 0:
		return "No more than chance: nothing has lately piled up anywhere."
	case out.GetStanding() == 1:
		return out.GetClusters()[0].GetSentence()
	}
	return fmt.Sprintf("%d things have lately piled up more than chance would have it. The clearest: %s", out.GetStanding(), out.GetClusters()[0].GetSentence())
}

// method says how the search was made.
func (q *clusterQuestion) method(out *pb.CauseClusters) string {
	s := q.countedHow() + " A workplace is counted without those below it. "
	if out.GetMethod() == "" {
		return s + "Nothing was searched."
	}
	against := map[pb.ClusterBasis]string{
		pb.ClusterBasis_CLUSTER_BASIS_REPORT_MIX: "all that the place reported in the same months with a value",
		pb.ClusterBasis_CLUSTER_BASIS_ALL_PLACES: "what the category did at all places in the same months",
		pb.ClusterBasis_CLUSTER_BASIS_OWN_PAST:   "the place's own past alone",
	}[q.basis]
	if q.alone && q.basis == pb.ClusterBasis_CLUSTER_BASIS_ALL_PLACES {
		against = "the place's own past"
	}
	if q.alone {
		against += "; only one place reports here, so there is no other to compare it with"
	}
	return s + fmt.Sprintf("%s; no simulation. Compared with %s. Every p-value allows for all %s looked at.",
		capital(out.GetMethod()), against, number(float64(out.GetWindows()), "window", "windows"))
}

// basisCaution says what the basis does not allow for.
func (q *clusterQuestion) basisCaution() string {
	switch q.basis {
	case pb.ClusterBasis_CLUSTER_BASIS_ALL_PLACES:
		return "A place that has begun to report more readily, or to work more hours, shows here too: ask first whether the telling has changed."
	case pb.ClusterBasis_CLUSTER_BASIS_OWN_PAST:
		return "A season shows here as if it were news, and so does a place that has begun to report more readily or to work more hours."
	}
	return "What grows along with everything else at a place does not show here, and a season does: compare with all places for both."
}
