package compute

import (
	"strings"
	"unicode"
)

// nearest returns the candidate most like a name, "" when there is none.
func nearest(name string, candidates []string) string {
	best, least := "", 1<<30
	fold := func(s string) string {
		return strings.ToLower(strings.Map(func(r rune) rune {
			if r == '-' || r == ' ' || r == '.' {
				return '_'
			}
			return r
		}, s))
	}
	n := fold(clip(name))
	for _, c := range candidates {
		d := distance(n, fold(c))
		// A word in common counts for more than letters that happen to agree.
		for _, w := range strings.Split(n, "_") {
			if len(w) > 2 && strings.Contains(fold(c), strings.TrimSuffix(w, "s")) {
				d -= 3
			}
		}
		if d < least {
			best, least = c, d
		}
	}
	return best
}

// nearestInput returns the input most like a name. Where none is spelt like it,
// one whose unit or description speaks of it is better: hours are an exposure.
func (m Method) nearestInput(name string) string {
	best := nearest(name, m.inputNames())
	const typo = 2
	word := strings.ToLower(strings.TrimSpace(clip(name)))
	if distance(word, best) <= typo || len(word) < 3 {
		return best
	}
	for _, text := range []func(Input) string{func(i Input) string { return i.Unit }, func(i Input) string { return i.About }} {
		for _, i := range m.Inputs {
			for _, w := range strings.FieldsFunc(strings.ToLower(text(i)), func(r rune) bool { return !unicode.IsLetter(r) }) {
				if w == word {
					return i.Name
				}
			}
		}
	}
	return best
}

// distance is how many letters must be put in, taken out, changed or swapped
// with their neighbour to turn a into b.
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	before, last, row := make([]int, len(y)+1), make([]int, len(y)+1), make([]int, len(y)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(x); i++ {
		row[0] = i
		for j := 1; j <= len(y); j++ {
			cost := 1
			if x[i-1] == y[j-1] {
				cost = 0
			}
			row[j] = min(row[j-1]+1, last[j]+1, last[j-1]+cost)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(y)]
}
