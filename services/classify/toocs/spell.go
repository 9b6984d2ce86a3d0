package toocs

import (
	"slices"
	"strings"
)

// A speller finds the known stems nearest to an unknown one.
//
// Two words that are one slip apart share a form with at most one letter
// removed, so a map from all such forms finds them without comparing every
// word. Two slips are looked for in long words only, among words with the
// same first letter: in short words they join words that have nothing to do
// with each other.
type speller struct {
	known   []string
	byForm  map[string][]int32
	byFirst map[byte][]int32
	sorted  []int32 // places in known, in alphabetical order
}

const (
	shortestOneSlip  = 5 // letters as written; four allow swapped letters only
	shortestTwoSlips = 9
	mostCorrections  = 2
)

func newSpeller(stems []string) *speller {
	s := &speller{byForm: map[string][]int32{}, byFirst: map[byte][]int32{}}
	for _, w := range stems {
		if len(w) < 3 || strings.HasPrefix(w, "<") {
			continue
		}
		i := int32(len(s.known))
		s.known = append(s.known, w)
		s.sorted = append(s.sorted, i)
		s.byFirst[w[0]] = append(s.byFirst[w[0]], i)
		forEachForm(w, func(form string) {
			if list := s.byForm[form]; len(list) == 0 || list[len(list)-1] != i {
				s.byForm[form] = append(list, i)
			}
		})
	}
	slices.SortFunc(s.sorted, func(a, b int32) int { return strings.Compare(s.known[a], s.known[b]) })
	return s
}

// forEachForm calls f with w and with w less each one of its bytes.
func forEachForm(w string, f func(string)) {
	f(w)
	for i := range len(w) {
		f(w[:i] + w[i+1:])
	}
}

// correct returns up to two known stems nearest to an unknown one; raw is the
// length of the word as written.
func (s *speller) correct(stem string, raw int) []string {
	if raw < shortestOneSlip-1 || raw > 30 {
		return nil
	}
	found := s.oneSlip(stem)
	if raw < shortestOneSlip {
		found = slices.DeleteFunc(found, func(w string) bool { return !swapped(stem, w) })
	}
	if len(found) == 0 && raw >= shortestTwoSlips {
		for _, i := range s.byFirst[stem[0]] {
			w := s.known[i]
			if len(w) >= len(stem)-2 && len(w) <= len(stem)+2 && slipsBetween(stem, w) == 2 {
				found = append(found, w)
			}
		}
		inOrder(stem, found)
	}
	return found[:min(mostCorrections, len(found))]
}

// oneSlip returns the known stems at most one slip away.
func (s *speller) oneSlip(stem string) []string {
	var found []string
	forEachForm(stem, func(form string) {
		for _, i := range s.byForm[form] {
			if w := s.known[i]; !slices.Contains(found, w) && slipsBetween(stem, w) <= 1 {
				found = append(found, w)
			}
		}
	})
	inOrder(stem, found)
	return found
}

// inOrder sorts words that are equally near: first those that keep the first
// letter, which people seldom get wrong, then in alphabetical order.
func inOrder(stem string, found []string) {
	slices.SortFunc(found, func(a, b string) int {
		if (a[0] == stem[0]) != (b[0] == stem[0]) {
			if a[0] == stem[0] {
				return -1
			}
			return 1
		}
		return strings.Compare(a, b)
	})
}

// begins returns up to three known stems that begin with an unknown one: the
// word may not be typed to its end yet.
func (s *speller) begins(stem string) []string {
	if len(stem) < 4 {
		return nil
	}
	at, _ := slices.BinarySearchFunc(s.sorted, stem, func(i int32, w string) int { return strings.Compare(s.known[i], w) })
	var found []string
	for ; at < len(s.sorted) && len(found) < 3 && strings.HasPrefix(s.known[s.sorted[at]], stem); at++ {
		found = append(found, s.known[s.sorted[at]])
	}
	return found
}

// swapped reports whether a and b have the same bytes in another order.
func swapped(a, b string) bool {
	x, y := []byte(a), []byte(b)
	slices.Sort(x)
	slices.Sort(y)
	return string(x) == string(y)
}

// slipsBetween returns the least number of letters put in, left out, changed
// or swapped with their neighbour that turn a into b (Damerau's distance,
// each stretch edited once). It works on bytes, which suits codes and
// lower-case English.
func slipsBetween(a, b string) int {
	const most = 32
	if len(a) >= most || len(b) >= most {
		return max(len(a), len(b))
	}
	var rows [3][most]int
	before, last, now := rows[0][:], rows[1][:], rows[2][:]
	for j := 0; j <= len(b); j++ {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		now[0] = i
		for j := 1; j <= len(b); j++ {
			change := 1
			if a[i-1] == b[j-1] {
				change = 0
			}
			d := min(last[j]+1, now[j-1]+1, last[j-1]+change)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				d = min(d, before[j-2]+1)
			}
			now[j] = d
		}
		before, last, now = last, now, before
	}
	return last[len(b)]
}
