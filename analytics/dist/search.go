package dist

// maxSearch is where a quantile search gives up: twice the largest mean and
// more counts than an int32 holds.
const maxSearch = 1 << 32

// smallest returns the least integer k in [lo, hi] for which ok(k) holds. ok
// must be false below some point and true from it on; if it holds nowhere, hi
// is returned. start is a guess: the search doubles its step away from it, so
// that a good guess costs two or three evaluations.
func smallest(lo, hi, start int, ok func(int) bool) int {
	start = min(max(start, lo), hi)
	step := 1
	if ok(start) {
		// Walk down until ok fails; the answer then lies in (bad, good].
		good := start
		for good > lo {
			next := max(lo, good-step)
			if !ok(next) {
				return bisectInt(next, good, ok)
			}
			good, step = next, step*2
		}
		return lo
	}
	bad := start
	for bad < hi {
		next := hi
		if hi-bad > step {
			next = bad + step
		}
		if ok(next) {
			return bisectInt(bad, next, ok)
		}
		bad, step = next, step*2
	}
	return hi
}

// bisectInt returns the least k in (bad, good] with ok(k), given that ok(bad)
// fails and ok(good) holds.
func bisectInt(bad, good int, ok func(int) bool) int {
	for good-bad > 1 {
		mid := bad + (good-bad)/2
		if ok(mid) {
			good = mid
		} else {
			bad = mid
		}
	}
	return good
}
