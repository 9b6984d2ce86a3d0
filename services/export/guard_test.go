package export

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
)

// TestGuard holds the guard to its promise on random tables: no small count is
// shown, and none that is held back follows from a total by subtraction.
func TestGuard(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		rows, cols := rapid.IntRange(1, 6).Draw(t, "rows"), rapid.IntRange(1, 5).Draw(t, "cols")
		smallest := int64(rapid.IntRange(2, 8).Draw(t, "smallest"))
		table := &pb.Table{}
		was := make([]int64, rows*cols)
		rowSum, colSum := make([]int64, rows), make([]int64, cols)
		for r := range rows {
			for c := range cols {
				n := int64(rapid.IntRange(0, 12).Draw(t, "n"))
				was[r*cols+c] = n
				rowSum[r] += n
				colSum[c] += n
				table.Total += n
			}
		}
		table.Counts = append([]int64(nil), was...)
		for _, n := range rowSum {
			table.Rows = append(table.Rows, &pb.TableHead{Total: n})
		}
		for _, n := range colSum {
			table.Columns = append(table.Columns, &pb.TableHead{Total: n})
		}
		held := guard(table, smallest)
		count := int32(0)
		for i, n := range table.Counts {
			if n == heldBack {
				count++
				continue
			}
			require.Equal(t, was[i], n, "what is shown is true")
			require.False(t, n > 0 && n < smallest, "a small count is shown")
		}
		require.Equal(t, held, count)
		line := func(n int, at func(int) int, total int64) {
			hidden, sum, more := 0, int64(0), false
			for i := range n {
				k := at(i)
				if table.Counts[k] == heldBack {
					hidden++
					sum += was[k]
				} else if was[k] > 0 {
					more = true
				}
			}
			if hidden == 0 || total == heldBack || !more {
				return
			}
			require.False(t, hidden == 1, "one held-back count follows from the total")
			require.GreaterOrEqual(t, sum, smallest, "the held-back counts of a line are too few together")
		}
		if cols > 1 {
			for r := range rows {
				line(cols, func(i int) int { return r*cols + i }, table.Rows[r].Total)
			}
		}
		for c := range cols {
			line(rows, func(i int) int { return i*cols + c }, table.Columns[c].Total)
		}
	})
}

func TestGuardOff(t *testing.T) {
	t.Parallel()
	table := &pb.Table{Rows: []*pb.TableHead{{Total: 1}}, Columns: []*pb.TableHead{{Total: 1}}, Counts: []int64{1}}
	require.Zero(t, guard(table, 1))
	require.EqualValues(t, 1, table.Counts[0])
}
