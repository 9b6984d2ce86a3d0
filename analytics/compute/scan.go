package compute

import (
	"fmt"
	"math"
	"slices"

	"fairlead/analytics/cause"
)

// Bounds of a scan: places times kinds times periods.
const (
	mostCells    = 500_000
	mostScanRows = 50_000
)

func scan() Method {
	return Method{
		Name: "scan", Group: Causes, Also: []string{"space_time_scan", "clusters", "cluster_detection"},
		Purpose: "Where one kind of report has lately begun to pile up, after allowing for every place, kind and window tried",
		Inputs: []Input{
			{Name: "places", Type: Texts, About: "place of each row", Required: true, Longest: mostScanRows},
			{Name: "kinds", Type: Texts, About: "kind of report of each row", Required: true, Longest: mostScanRows},
			{Name: "periods", Type: Wholes, About: "period of each row, from 1; the highest is the latest", Range: from(1, 1200), Required: true, Longest: mostScanRows},
			{Name: "counts", Type: Wholes, About: "reports in each row; without it, each row is one report", Range: from(0, 1e5), Longest: mostScanRows},
			{Name: "exposures", Type: NumbersBy, About: "by place, the exposure of each period; without it, all periods of a place are alike", Range: exposureRange(), Longest: mostScanRows},
			{Name: "latest", Type: Whole, About: "the latest period, where it has no report", Range: from(2, 1200)},
			{Name: "longest", Type: Whole, About: "longest window, in periods; 0 means 6, or half of all if that is less", Range: from(0, 60), Default: 0},
			{Name: "least_cases", Type: Whole, About: "fewest reports of a cluster", Range: from(1, 10_000), Default: 3},
			{Name: "show", Type: Whole, About: "clusters to judge", Range: from(1, 50), Default: 10},
			{Name: "own_past", Type: YesNo, About: "compare with the place's own past alone, instead of allowing for what the kind did everywhere", Default: false},
		},
		Outputs: []Output{
			{Name: "clusters", About: "the clearest first: place, kind, from (period), periods, count, expected, total, statistic, p_value"},
			{Name: "pairs", About: "places and kinds looked at"}, {Name: "windows", About: "windows looked at"}, {Name: "blind", About: "pairs that hold half of all reports of their kind and cannot stand out; use own_past"},
		},
		How:     "For every place, kind and window that ends with the latest period, the count against what the rest of the grid leads to expect. The p-value is the chance of as clear a cluster anywhere when nothing is going on; it is exact, so that nothing is drawn at random.",
		Source:  "Kulldorff (2001), Journal of the Royal Statistical Society A 164:61-72; Kulldorff et al. (2005), PLoS Medicine 2:e59",
		Example: `{"places":["Northside","Northside","Northside","Northside","Northside","Northside","Northside","Northside","Quarry Road","Quarry Road","Quarry Road","Quarry Road","Quarry Road","Quarry Road","Quarry Road","Quarry Road","Lakeside","Lakeside","Lakeside","Lakeside","Lakeside","Lakeside","Lakeside","Lakeside","Workshop","Workshop","Workshop","Workshop","Workshop","Workshop","Workshop","Workshop","Quarry Road","Quarry Road"],"kinds":["slip","slip","slip","slip","load","load","load","load","slip","slip","slip","slip","load","load","load","load","slip","slip","slip","slip","load","load","load","load","slip","slip","slip","slip","load","load","load","load","slip","slip"],"periods":[2,5,8,11,2,5,8,11,2,5,8,11,2,5,8,11,2,5,8,11,2,5,8,11,2,5,8,11,2,5,8,11,11,12],"counts":[2,2,2,3,1,1,3,2,2,2,3,3,3,2,2,2,3,1,1,2,1,2,1,2,3,3,3,3,3,2,2,1,6,5],"own_past":true}`,
		alike:   [][]string{{"places", "kinds", "periods", "counts"}},
		named:   map[string]string{"least cases": "least_cases", "exposure": "exposures", "periods": "periods"},
		run:     runScan,
	}
}

func runScan(in *inputs) (*answer, error) {
	a := newAnswer()
	places, kinds := distinct(in.texts("places")), distinct(in.texts("kinds"))
	last := in.whole("latest")
	for i, t := range in.wholes("periods") {
		if in.has("latest") && t > last {
			return nil, bad(fmt.Sprintf("periods[%d]", i+1), "is %d: must be at most latest, %d", t, last)
		}
		if !in.has("latest") {
			last = max(last, t)
		}
	}
	switch {
	case len(places) == 0:
		return nil, bad("places", "is empty: give at least one row")
	case last < 2:
		return nil, bad("periods", "hold one period: give at least two, or the latest")
	case len(places)*len(kinds) > mostCells/last:
		return nil, bad("places", "times kinds times periods are %s cells: at most %s are taken", num(float64(len(places)*len(kinds)*last)), num(mostCells))
	case in.whole("longest") >= last:
		return nil, bad("longest", "is %d: must be less than all periods, %d", in.whole("longest"), last)
	}
	g := cause.Grid{Places: len(places), Kinds: len(kinds), Periods: last, Counts: make([]int, len(places)*len(kinds)*last)}
	counts := in.wholes("counts")
	for i, t := range in.wholes("periods") {
		n := 1
		if counts != nil {
			n = counts[i]
		}
		p, _ := slices.BinarySearch(places, in.texts("places")[i])
		k, _ := slices.BinarySearch(kinds, in.texts("kinds")[i])
		cell := &g.Counts[(p*len(kinds)+k)*last+t-1]
		if *cell += n; *cell > 1_000_000 {
			return nil, bad(fmt.Sprintf("counts[%d]", i+1), "adds up to more than 1,000,000 reports in one place, kind and period")
		}
	}
	if err := scanHours(in, &g, places, kinds); err != nil {
		return nil, err
	}
	show := in.whole("show")
	if most := mostScanWork / max(1, scanWork(g, in.whole("longest"), in.whole("least_cases"))); most < 1 {
		return nil, bad("counts", "hold so many reports that judging one cluster would take too long: scan a shorter stretch, or watch so many reports by control charts")
	} else if most < show {
		show = most
		a.note(fmt.Sprintf("With so many reports only the %s clearest are judged.", num(float64(show))))
	}
	r, err := cause.Scan(g, cause.ScanOptions{Longest: in.whole("longest"), MinCases: in.whole("least_cases"), Show: show, OwnPast: in.yes("own_past")})
	if err != nil {
		return nil, err
	}
	clusters := []map[string]any{}
	for _, c := range r.Clusters {
		clusters = append(clusters, map[string]any{"place": places[c.Place], "kind": kinds[c.Kind], "from": c.From + 1, "periods": c.Periods, "count": c.Count, "expected": c.Expected, "total": c.Total, "statistic": c.LR, "p_value": c.PValue})
	}
	a.puts("clusters", clusters, "pairs", r.Pairs, "windows", r.Windows, "blind", r.Blind)
	a.how = upper(r.Method) + ". " + in.method.How
	a.sentence = "No place and kind has enough reports to look at."
	if len(r.Clusters) > 0 {
		c := r.Clusters[0]
		a.sentence = fmt.Sprintf("The clearest of %s: %s at %s, %d reports from period %d on where %s would be expected. %s (%s, over all windows).",
			many(r.Windows, "window", "windows"), kinds[c.Kind], places[c.Place], c.Count, c.From+1, num(c.Expected), upper(chanceWords(c.PValue)), chance(c.PValue))
	}
	if r.Blind > 0 {
		a.note(fmt.Sprintf("%s of a place and a kind hold at least half of all reports of their kind and cannot stand out against others: scan them with own_past.", upper(many(r.Blind, "pair", "pairs"))))
	}
	return a, nil
}

// mostScanWork bounds the products summed for the chances of clusters: about a
// second.
const mostScanWork = 1_000_000_000

// scanWork is about how many that takes for one cluster: in each pair, for each
// window, the counts so far times those of one more period, both within ten
// standard deviations of their mean.
func scanWork(g cause.Grid, longest, least int) int {
	if longest == 0 {
		longest = max(1, min(6, g.Periods/2))
	}
	work := 0.0
	for i := 0; i < len(g.Counts); i += g.Periods {
		total := 0
		for _, n := range g.Counts[i : i+g.Periods] {
			total += n
		}
		if total < least {
			continue
		}
		wide := func(periods int) float64 {
			m := float64(total) * float64(periods) / float64(g.Periods)
			return min(float64(total+1), 20*math.Sqrt(m)+20)
		}
		for l := 1; l <= longest; l++ {
			work += wide(l-1) * wide(1)
		}
	}
	return int(work)
}

// scanHours reads hours by place; every place must have them for every period.
func scanHours(in *inputs, g *cause.Grid, places, kinds []string) error {
	names, hours := in.numbersBy("exposures")
	if len(names) == 0 {
		return nil
	}
	for _, n := range names {
		if _, ok := slices.BinarySearch(places, n); !ok {
			return bad("exposures."+clip(n), "is no place with a report; did you mean %s? Leave places without any report out", nearest(n, places))
		}
	}
	g.Exposure = make([]float64, g.Places*g.Periods)
	for p, name := range places {
		list, ok := hours[name]
		if !ok || len(list) != g.Periods {
			return bad("exposures."+clip(name), "has %s: give one for each of the %d periods", entries(len(list)), g.Periods)
		}
		copy(g.Exposure[p*g.Periods:], list)
		for t, h := range list {
			for k := range kinds {
				if n := g.Counts[(p*g.Kinds+k)*g.Periods+t]; h == 0 && n > 0 {
					return bad(fmt.Sprintf("exposures.%s[%d]", clip(name), t+1), "is 0 in a period with %s: check the hours", many(n, "report", "reports"))
				}
			}
		}
	}
	return nil
}

// distinct returns the different texts in order.
func distinct(list []string) []string {
	out := slices.Clone(list)
	slices.Sort(out)
	return slices.Compact(out)
}
