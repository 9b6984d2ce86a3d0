package mask

// mostCompared bounds the work of telling two texts apart word by word.
const mostCompared = 4_000_000

// change is words of a text that another text has no longer.
type change struct {
	was []piece
	// marked says that the other text has a mark in their place.
	marked bool
}

// changes compares two texts word by word, by their longest common subsequence,
// and returns what the second has no longer. Texts too long to be compared so are
// one change between their common beginning and end, without a mark.
func changes(was, now []piece) []change {
	same := func(a, b piece) bool { return a.low == b.low && a.mark == b.mark }
	for len(was) > 0 && len(now) > 0 && same(was[0], now[0]) {
		was, now = was[1:], now[1:]
	}
	for len(was) > 0 && len(now) > 0 && same(was[len(was)-1], now[len(now)-1]) {
		was, now = was[:len(was)-1], now[:len(now)-1]
	}
	if len(was) == 0 {
		return nil
	}
	if len(was)*len(now) > mostCompared {
		return []change{{was: was}}
	}
	// left[i][j] is how much was[i:] and now[j:] have in common.
	left := make([][]int32, len(was)+1)
	for i := range left {
		left[i] = make([]int32, len(now)+1)
	}
	for i := len(was) - 1; i >= 0; i-- {
		for j := len(now) - 1; j >= 0; j-- {
			if same(was[i], now[j]) {
				left[i][j] = left[i+1][j+1] + 1
			} else {
				left[i][j] = max(left[i+1][j], left[i][j+1])
			}
		}
	}
	var out []change
	var open change
	close := func() {
		if len(open.was) > 0 {
			out = append(out, open)
		}
		open = change{}
	}
	i, j := 0, 0
	for i < len(was) || j < len(now) {
		switch {
		case i < len(was) && j < len(now) && same(was[i], now[j]):
			close()
			i, j = i+1, j+1
		case j == len(now) || i < len(was) && left[i+1][j] >= left[i][j+1]:
			open.was = append(open.was, was[i])
			i++
		default:
			open.marked = open.marked || now[j].mark
			j++
		}
	}
	close()
	return out
}
