package guard_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/guard"
)

func tableOf(rows, cols int, counts ...int64) *pb.Table {
	t := &pb.Table{Counts: counts}
	for range rows {
		t.Rows = append(t.Rows, &pb.TableHead{Key: "r"})
	}
	for range cols {
		t.Columns = append(t.Columns, &pb.TableHead{Key: "c"})
	}
	for i, n := range counts {
		t.Rows[i/cols].Total += n
		t.Columns[i%cols].Total += n
		t.Total += n
	}
	return t
}

// TestTable holds the guard to its promise on random tables: what is shown is
// true, no small count is shown, be it a cell or a total, and none that is held
// back can be worked out. The last is asked of every table of counts that would
// look the same: each hidden cell must have more than one value among them.
func TestTable(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rows, cols := rapid.IntRange(1, 4).Draw(t, "rows"), rapid.IntRange(1, 4).Draw(t, "cols")
		smallest := int64(rapid.IntRange(2, 6).Draw(t, "smallest"))
		most := rapid.SampledFrom([]int{3, 12}).Draw(t, "most")
		was := tableOf(rows, cols, rapid.SliceOfN(rapid.Int64Range(0, int64(most)), rows*cols, rows*cols).Draw(t, "counts")...)
		shown := proto.Clone(was).(*pb.Table)
		held := guard.Table(shown, smallest)

		var hidden int32
		check := func(is, truth int64) {
			if is == guard.HeldBack {
				return
			}
			require.Equal(t, truth, is, "what is shown is true")
			require.False(t, is > 0 && is < smallest, "a small count is shown")
		}
		for i, n := range shown.GetCounts() {
			if n == guard.HeldBack {
				hidden++
				require.Positive(t, was.GetCounts()[i], "an empty cell is no secret")
			}
			check(n, was.GetCounts()[i])
		}
		require.Equal(t, hidden, held)
		for i, h := range shown.GetRows() {
			check(h.GetTotal(), was.GetRows()[i].GetTotal())
		}
		for i, h := range shown.GetColumns() {
			check(h.GetTotal(), was.GetColumns()[i].GetTotal())
		}
		check(shown.GetTotal(), was.GetTotal())
		for i, n := range shown.GetCounts() {
			if n == guard.HeldBack {
				require.True(t, anotherFits(shown, was, i), "cell %d follows from what is shown: %v of %v", i, shown, was)
			}
		}
	})
}

// anotherFits says whether some other table of counts, with another value in the
// cell, shows the same. It looks for it by moving one report along hidden cells
// and hidden totals: if any table with another value fits, one that is reached
// so does, because the tables that fit are convex.
func anotherFits(shown, was *pb.Table, cell int) bool {
	rows, cols := len(was.GetRows()), len(was.GetColumns())
	// Depth first over rows and columns: each step changes a hidden cell by one,
	// up and down in turn, until the line that was disturbed is at rest again or
	// its total is hidden, and so free.
	free := func(row bool, i int) bool {
		if row {
			return shown.GetRows()[i].GetTotal() == guard.HeldBack
		}
		return shown.GetColumns()[i].GetTotal() == guard.HeldBack
	}
	// A line whose total is hidden may move, and the grand total with it; totals
	// are tied together when the grand total is shown: then two hidden totals of
	// the same side move against each other.
	type point struct {
		row bool
		i   int
	}
	start, goal := point{true, cell / cols}, point{false, cell % cols}
	seen := map[point]bool{start: true}
	todo := []point{start}
	step := func(p point) {
		if !seen[p] {
			seen[p] = true
			todo = append(todo, p)
		}
	}
	for len(todo) > 0 {
		p := todo[0]
		todo = todo[1:]
		if p == goal {
			return true
		}
		if free(p.row, p.i) {
			// Over the hidden total to the margin, and from there to any other
			// hidden total of the same side; and to the other side where the
			// grand total is hidden too.
			n := rows
			if !p.row {
				n = cols
			}
			for i := range n {
				if free(p.row, i) {
					step(point{p.row, i})
				}
			}
			if shown.GetTotal() == guard.HeldBack {
				for i := range rows {
					if free(true, i) {
						step(point{true, i})
					}
				}
				for i := range cols {
					if free(false, i) {
						step(point{false, i})
					}
				}
			}
		}
		for i := range max(rows, cols) {
			if p.row && i < cols && p.i*cols+i != cell && shown.GetCounts()[p.i*cols+i] == guard.HeldBack {
				step(point{false, i})
			}
			if !p.row && i < rows && i*cols+p.i != cell && shown.GetCounts()[i*cols+p.i] == guard.HeldBack {
				step(point{true, i})
			}
		}
	}
	return false
}

func TestTableByHand(t *testing.T) {
	t.Parallel()
	const held = guard.HeldBack
	for name, c := range map[string]struct {
		in, want *pb.Table
		held     int32
	}{
		"nothing small":    {in: tableOf(2, 2, 5, 6, 7, 8), want: tableOf(2, 2, 5, 6, 7, 8)},
		"empty cells stay": {in: tableOf(2, 2, 0, 6, 7, 0), want: tableOf(2, 2, 0, 6, 7, 0)},
		"one small cell takes a circle with it": {in: tableOf(3, 3, 2, 20, 30, 9, 40, 50, 60, 70, 80), held: 4,
			want: &pb.Table{Counts: []int64{held, held, 30, held, held, 50, 60, 70, 80}}},
		"a list takes the next smallest": {in: tableOf(4, 1, 3, 40, 9, 50), held: 2,
			want: &pb.Table{Counts: []int64{held, 40, held, 50}}},
		"a list of one gives even its sum away": {in: tableOf(1, 1, 3), held: 1, want: &pb.Table{Counts: []int64{held}}},
	} {
		got := proto.Clone(c.in).(*pb.Table)
		require.Equal(t, c.held, guard.Table(got, 5), name)
		require.Equal(t, c.want.GetCounts(), got.GetCounts(), name)
		if name == "a list of one gives even its sum away" {
			require.EqualValues(t, held, got.GetTotal())
		}
	}
	// A small total follows from the others unless another is held back with it.
	got := tableOf(3, 2, 2, 1, 20, 20, 30, 30)
	guard.Table(got, 5)
	n := 0
	for _, h := range got.GetRows() {
		if h.GetTotal() == held {
			n++
		}
	}
	require.GreaterOrEqual(t, n, 2)
	// How many have no value is a total too.
	got = tableOf(2, 1, 3, 40)
	got.Rows[0].Key, got.RowsUnknown = "", 3
	guard.Table(got, 5)
	require.EqualValues(t, held, got.GetRowsUnknown())
}

func TestOff(t *testing.T) {
	t.Parallel()
	table := tableOf(1, 1, 1)
	require.Zero(t, guard.Table(table, 1))
	require.EqualValues(t, 1, table.GetCounts()[0])
	require.Zero(t, guard.Table(&pb.Table{}, 5))
}

func TestList(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		counts := rapid.SliceOfN(rapid.Int64Range(0, 9), 0, 8).Draw(t, "counts")
		hidden, total := guard.List(counts, 5)
		n, sum, more := 0, int64(0), false
		for i, c := range counts {
			if hidden[i] {
				n, sum = n+1, sum+c
			} else {
				require.False(t, c > 0 && c < 5)
				more = more || c > 0
			}
		}
		if total {
			require.True(t, n == 0 || n > 1 && sum >= 5)
		} else {
			require.False(t, more, "something more could have been hidden instead of the sum")
		}
	})
}

// chain is a tree by prefix: a/b is below a.
type chain struct{}

func (chain) Within(w, a string) bool { return w == a || strings.HasPrefix(w, a+"/") }

func TestApplies(t *testing.T) {
	t.Parallel()
	for n := range pb.Role_name {
		role := pb.Role(n)
		open := role == pb.Role_ROLE_ADVISER || role == pb.Role_ROLE_AUDITOR || role == pb.Role_ROLE_SUPERVISOR
		require.Equal(t, !open, guard.Applies(access.Principal{Name: "p", Roles: []pb.Role{role}}, chain{}, nil), role.String())
	}
	require.True(t, guard.Applies(access.Principal{}, chain{}, nil))
	require.False(t, guard.Applies(access.Principal{Roles: []pb.Role{pb.Role_ROLE_COMMITTEE, pb.Role_ROLE_ADVISER}}, chain{}, nil))
	// Whoever supervises the north and sits on the committee.
	both := access.Granted("principals/x", "X", []access.Grant{{Role: pb.Role_ROLE_SUPERVISOR, Workplaces: []string{"shire/north"}}, {Role: pb.Role_ROLE_COMMITTEE}})
	require.False(t, guard.Applies(both, chain{}, []string{"shire/north/trees"}))
	require.True(t, guard.Applies(both, chain{}, nil), "of the whole, as the committee")
	require.True(t, guard.Applies(both, chain{}, []string{"shire/north", "shire/south"}))
	require.True(t, guard.Applies(access.Granted("principals/x", "X", []access.Grant{{Role: pb.Role_ROLE_COMMITTEE}}), chain{}, []string{"shire/north"}))
}

func TestWhatTells(t *testing.T) {
	t.Parallel()
	nature := &pb.ReportFilter{Codes: []*pb.CodeMatch{{Facet: pb.Facet_FACET_NATURE, Code: "1"}}}
	cell := &pb.ReportFilter{Cells: []*pb.CellMatch{{Sides: []*pb.CellSide{{Dimension: pb.Dimension_DIMENSION_KIND}, {Dimension: pb.Dimension_DIMENSION_BODILY_LOCATION}}}}}
	require.True(t, guard.Personal(nature, guard.NobodyHurt(), false) && guard.AsksPersons(nature))
	require.True(t, guard.Personal(cell, guard.NobodyHurt(), false) && guard.AsksPersons(cell))
	outcome := &pb.ReportFilter{Outcomes: []pb.OutcomeClass{pb.OutcomeClass_OUTCOME_CLASS_DEATH}}
	require.True(t, guard.Personal(outcome, guard.NobodyHurt(), false))
	require.True(t, guard.AsksPersons(outcome))
	require.False(t, guard.AsksPersons(&pb.ReportFilter{Kinds: []pb.ReportKind{pb.ReportKind_REPORT_KIND_HAZARD}, Workplaces: []string{"w"}}))
	require.False(t, guard.AsksPersons(nil))
	// Every dimension of the contract was thought about: those that do not tell
	// are listed here, so that a new one is looked at.
	quiet := []string{"UNSPECIFIED", "KIND", "WORKPLACE", "MONTH", "YEAR", "POTENTIAL", "DATASET"}
	for n, name := range pb.Dimension_name {
		require.Equal(t, !slices.Contains(quiet, strings.TrimPrefix(name, "DIMENSION_")), guard.Tells(pb.Dimension(n)), name)
	}
}
