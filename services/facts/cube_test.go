package facts_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/cube"
	"fairlead/services/facts"
)

// recount counts by any number of dimensions, by going through everything:
// reports or persons, and the different reports behind them.
func (n *naive) recount(q cube.Question) (counted, behind map[string]int64) {
	counted, behind = map[string]int64{}, map[string]int64{}
	for _, r := range n.reports {
		who := []*pb.Harm{nil}
		if q.Harms {
			who = r.GetHarms()
		}
		seen := map[string]bool{}
		for _, h := range who {
			if !n.matches(r, h, q.Filter, q.Workplaces) {
				continue
			}
			var keys []string
			for _, d := range q.Dimensions {
				keys = append(keys, n.key(r, h, d, int(q.Level)))
			}
			key := strings.Join(keys, "|")
			counted[key]++
			if !seen[key] {
				seen[key] = true
				behind[key]++
			}
		}
	}
	return counted, behind
}

// doubtful counts, by key, what has its code from an unreviewed crosswalk.
func (n *naive) doubtful(q cube.Question, d pb.Dimension, f pb.Facet) map[string]int64 {
	out := map[string]int64{}
	from := func(r *pb.Report, h *pb.Harm) *pb.Coding {
		person := h
		if h == nil {
			person = worstOf(r)
		}
		if person != nil {
			if c := n.codings[r.GetName()][person.GetHarmId()]; facetCode(c, f) != "" {
				return c
			}
		}
		return n.codings[r.GetName()][""]
	}
	for _, r := range n.reports {
		who := []*pb.Harm{nil}
		if q.Harms {
			who = r.GetHarms()
		}
		for _, h := range who {
			key := n.key(r, h, d, int(q.Level))
			if key != "" && n.matches(r, h, q.Filter, q.Workplaces) && from(r, h).GetOrigin() == pb.CodingOrigin_CODING_ORIGIN_CROSSWALK_NOT_REVIEWED {
				out[key]++
			}
		}
	}
	return out
}

var facetOfDimension = map[pb.Dimension]pb.Facet{
	pb.Dimension_DIMENSION_MECHANISM: pb.Facet_FACET_MECHANISM, pb.Dimension_DIMENSION_BREAKDOWN_AGENCY: pb.Facet_FACET_BREAKDOWN_AGENCY,
	pb.Dimension_DIMENSION_AGENCY: pb.Facet_FACET_AGENCY, pb.Dimension_DIMENSION_NATURE: pb.Facet_FACET_NATURE,
	pb.Dimension_DIMENSION_BODILY_LOCATION: pb.Facet_FACET_BODILY_LOCATION,
}

// askCube holds cubes of one to three dimensions against a recount, and follows
// every number of one of them to its reports: the filter with the cell finds
// exactly as many as the cube says.
func askCube(t *rapid.T, f *facts.Facts, n *naive, filter *pb.ReportFilter, within []string) {
	q := cube.Question{Filter: filter, Workplaces: within, Level: rapid.Int32Range(0, 3).Draw(t, "cube level"),
		Harms: rapid.Bool().Draw(t, "cube of persons"), Most: 1_000_000}
	for _, d := range rapid.SliceOfNDistinct(rapid.IntRange(1, 13), 1, 3, rapid.ID).Draw(t, "cube of") {
		q.Dimensions = append(q.Dimensions, pb.Dimension(d))
	}
	cubes, err := f.Cubes(q, q)
	require.NoError(t, err)
	require.Equal(t, cubes[0], cubes[1])
	c := cubes[0]
	want, behind := n.recount(q)
	got, reports := map[string]int64{}, map[string]int64{}
	var sum int64
	var walk func(d int, place []int, keys []string)
	walk = func(d int, place []int, keys []string) {
		if d < len(c.Sides) {
			for i, h := range c.Sides[d].Heads {
				walk(d+1, append(place, i), append(keys, h.GetKey()))
			}
			return
		}
		at := c.At(place...)
		sum += c.Counts[at]
		if c.Counts[at] > 0 {
			got[strings.Join(keys, "|")], reports[strings.Join(keys, "|")] = c.Counts[at], c.Reports[at]
		}
		if len(c.Sides) > 2 {
			return
		}
		// From the number to its reports.
		cell := &pb.CellMatch{CodeLevel: q.Level, CountHarms: q.Harms}
		for i, k := range keys {
			cell.Sides = append(cell.Sides, &pb.CellSide{Dimension: q.Dimensions[i], Key: k})
		}
		deeper := &pb.ReportFilter{}
		if filter != nil {
			deeper = proto.Clone(filter).(*pb.ReportFilter)
		}
		deeper.Cells = append(deeper.Cells, cell)
		_, _, total, err := f.Newest(deeper, within, "", 1)
		require.NoError(t, err)
		require.Equal(t, c.Reports[at], total, "%v of %v", keys, q.Dimensions)
	}
	walk(0, nil, nil)
	require.Equal(t, want, got)
	require.Equal(t, behind, reports)
	require.Equal(t, sum, c.Total)
	for d, s := range c.Sides {
		facet, coded := facetOfDimension[q.Dimensions[d]]
		doubtful := map[string]int64{}
		for i, h := range s.Heads {
			if s.Unreviewed[i] > 0 {
				doubtful[h.GetKey()] = s.Unreviewed[i]
			}
		}
		if !coded {
			require.Empty(t, doubtful)
			continue
		}
		require.Equal(t, n.doubtful(q, q.Dimensions[d], facet), doubtful)
	}
}

// TestCubeTooLarge: what is larger than asked for comes without counts, and says
// how large it would be.
func TestCubeTooLarge(t *testing.T) {
	t.Parallel()
	w := testWorld(t)
	var all []proto.Message
	for n := range 6 {
		c := codingOf(reportName(n), "")
		c.Mechanism, c.Agency = string(rune('1'+n)), string(rune('1'+n))
		all = append(all, &pb.Report{Name: reportName(n), Workplace: "workplaces/north", OccurTime: at(t, "2026-03-02T00:00:00Z"), State: 1}, c)
	}
	w.put(t, all...)
	q := cube.Question{Dimensions: []pb.Dimension{pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_AGENCY}, Most: 35}
	cubes, err := w.facts(t).Cubes(q)
	require.NoError(t, err)
	require.Nil(t, cubes[0].Counts)
	require.Equal(t, 36, cubes[0].Cells())
	require.EqualValues(t, 6, cubes[0].Total)
}
