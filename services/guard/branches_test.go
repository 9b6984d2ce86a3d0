package guard_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fairlead/services/guard"
)

func TestBranchesByHand(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		parent []int
		direct []int64
		told   []bool
	}{
		"nothing":            {nil, nil, []bool{}},
		"few in all":         {[]int{-1, 0}, []int64{0, 3}, []bool{true, false}},
		"the rest is few":    {[]int{-1, 0, 0, 0}, []int64{0, 9, 7, 2}, []bool{true, true, false, false}},
		"few at the top":     {[]int{-1, 0}, []int64{1, 9}, []bool{true, false}},
		"none somewhere":     {[]int{-1, 0, 0}, []int64{0, 9, 0}, []bool{true, true, true}},
		"below what is held": {[]int{-1, 0, 0, 1}, []int64{0, 0, 2, 9}, []bool{true, false, false, false}},
		"two rests":          {[]int{-1, 0, 0, 2, 2}, []int64{0, 5, 0, 6, 5}, []bool{true, true, true, true, true}},
	} {
		require.Equal(t, c.told, guard.Branches(c.parent, c.direct, 5), name)
	}
}

// TestBranches_rests: every rest of a place told, less what is told below it, is
// over nobody or over enough.
func TestBranches_rests(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "places")
		smallest := rapid.Int64Range(3, 7).Draw(t, "smallest")
		parent, direct := []int{-1}, []int64{rapid.Int64Range(0, 9).Draw(t, "direct")}
		for p := 1; p < n; p++ {
			parent = append(parent, rapid.IntRange(0, p-1).Draw(t, "parent"))
			direct = append(direct, rapid.Int64Range(0, 9).Draw(t, "direct"))
		}
		told := guard.Branches(parent, direct, smallest)
		rest := append([]int64(nil), direct...)
		for p := n - 1; p > 0; p-- {
			if !told[p] {
				rest[parent[p]] += rest[p]
				require.False(t, anyBelow(parent, told, p), "something is told below what is not")
			}
		}
		for p := range n {
			// Of the whole, few are told as they are.
			if told[p] && (p > 0 || anyBelow(parent, told, 0) && rest[0] != 0) {
				require.False(t, rest[p] > 0 && rest[p] < smallest && hasTold(parent, told, direct, p), "the rest of %d is %d", p, rest[p])
			}
		}
	})
}

func anyBelow(parent []int, told []bool, of int) bool {
	for p := range parent {
		if parent[p] == of && told[p] {
			return true
		}
	}
	return false
}

// hasTold reports whether anybody stands below a place in something told, or the
// place is not the top.
func hasTold(parent []int, told []bool, direct []int64, of int) bool {
	if of > 0 {
		return true
	}
	for p := 1; p < len(parent); p++ {
		if told[p] && direct[p] > 0 {
			return true
		}
	}
	return false
}
