package toocs

import (
	"cmp"
	"slices"
	"strings"
)

// A Match is one code that the words may mean.
type Match struct {
	Code Code
	// Score orders the matches of one call. It is not a probability and means
	// nothing beside the score of another call.
	Score float64
	// Because is the title or the thesaurus phrase that counted most. It is
	// taken from the tables, never from the words that were asked.
	Because string
}

// How much the three kinds of entry count. The phrases were written to be
// met, titles were not; the titles above a code only break ties.
const (
	titleShare  = 0.8
	parentShare = 0.15
	otherShare  = 0.25 // of a code's phrases other than its best
	slipShare   = 0.6  // of a word that had to be corrected
	beginShare  = 0.5  // of a word that seems to be half typed
)

// defaultLimit and maxLimit bound the answers of LookUp.
const (
	defaultLimit = 10
	maxLimit     = 100
)

// LookUp ranks the codes that plain words may mean, best first; ties stand in
// code order. Only codes that may be assigned for f are returned, at most
// limit of them (10 if limit is not positive, never over 100), and none at
// all if no word is known: LookUp does not guess.
//
// Plurals and verb forms, common other words and spellings are understood,
// and a word with one slip (two in long words) is corrected. Words tell what
// was there, not when: the two agency facets get the same ranking, and the
// person who codes says which thing went wrong first and which did the harm.
func (t *Table) LookUp(f Facet, words string, limit int) []Match {
	if !f.Valid() {
		return nil
	}
	if limit <= 0 {
		limit = defaultLimit
	}
	limit = min(limit, maxLimit)
	ix := t.lists[f.List()].index
	q := query{ix: ix, scores: make([]codeScore, len(ix.codes)), best: map[int32]float64{}}
	sentences := t.words.sentences(words)
	for i, sentence := range sentences {
		q.sentence(t.words, sentence, i == len(sentences)-1)
	}
	q.add()
	return q.matches(limit)
}

// A query gathers the scores of one LookUp.
type query struct {
	ix     *index
	best   map[int32]float64 // entry -> its best score in any sentence
	scores []codeScore
}

type codeScore struct {
	title, parent, phrase, phrases float64
	because                        int32 // the entry that counted most, plus one
}

// A reading is one atom that a word may stand for, and how sure that is.
type reading struct {
	atom  atom
	share float64
}

// sentence scores the entries whose units occur in one sentence. Scores of
// different sentences are not added: an entry counts where it fits best.
func (q *query) sentence(x *lexicon, toks []token, last bool) {
	readings := make([][]reading, len(toks))
	for i, tok := range toks {
		readings[i] = x.readings(tok, last && i == len(toks)-1)
	}
	type progress struct {
		have uint32
		sum  float64
	}
	met := map[int32]progress{}
	for i := range toks {
		stop := toks[i].stop
		for _, rd := range readings[i] {
			for _, p := range q.ix.postings[rd.atom] {
				e := &q.ix.entries[p.entry]
				unit := e.units[p.unit]
				got := met[p.entry]
				bit := uint32(1) << p.unit
				// A stop word counts only for its class or within an order.
				if got.have&bit != 0 || stop && len(unit) == 1 && rd.atom == toks[i].atom {
					continue
				}
				if len(unit) > 1 && !follows(readings, i, unit) {
					continue
				}
				got.have |= bit
				got.sum += e.worth[p.unit] * rd.share
				met[p.entry] = got
			}
		}
	}
	for at, got := range met {
		e := &q.ix.entries[at]
		if s := e.score(got.sum); s > q.best[at] {
			q.best[at] = s
		}
	}
}

// score says what an entry is worth when units worth sum were met. A phrase
// is meant as a whole: half of it is worth little, less than half nothing.
func (e *entry) score(sum float64) float64 {
	met := sum / e.total
	switch e.kind {
	case titleEntry:
		return titleShare * sum * (0.4 + 0.6*met)
	case parentEntry:
		return parentShare * sum
	}
	if met < 0.5 {
		return 0
	}
	return sum * met * met * met
}

// readings returns what a word may stand for: its stem and that stem's
// classes, or, if it is not known, the nearest known words.
func (x *lexicon) readings(tok token, lastWord bool) []reading {
	if tok.atom != noAtom {
		out := append(make([]reading, 0, 2), reading{tok.atom, 1})
		for _, class := range x.classes[tok.stem] {
			out = append(out, reading{class, 1})
		}
		return out
	}
	if tok.stop {
		return nil
	}
	near, share := x.spell.correct(tok.stem, tok.raw), slipShare
	if len(near) == 0 && lastWord {
		near, share = x.spell.begins(tok.stem), beginShare
	}
	var out []reading
	for _, w := range near {
		out = append(out, reading{x.atoms[w], share})
		for _, class := range x.classes[w] {
			out = append(out, reading{class, share})
		}
	}
	return out
}

// follows reports whether the rest of a unit follows the word at place i, in
// order and with at most maxGap words between.
func follows(readings [][]reading, i int, unit []atom) bool {
	for _, want := range unit[1:] {
		found := false
		for j := i + 1; j <= i+1+maxGap && j < len(readings); j++ {
			if slices.ContainsFunc(readings[j], func(rd reading) bool { return rd.atom == want }) {
				i, found = j, true
				break
			}
		}
		if !found {
			return false
		}
	}
	return true
}

// add brings the scores of the entries to their codes.
func (q *query) add() {
	// Entries are taken in order, so that equal scores always give the same
	// reason.
	met := make([]int32, 0, len(q.best))
	for at := range q.best {
		met = append(met, at)
	}
	slices.Sort(met)
	top := make(map[int32]float64, len(met))
	for _, at := range met {
		e, s := &q.ix.entries[at], q.best[at]
		c := &q.scores[e.code]
		switch e.kind {
		case titleEntry:
			c.title += s
		case parentEntry:
			c.parent += s
		default:
			c.phrases += s
			c.phrase = max(c.phrase, s)
		}
		if s > top[e.code] && e.kind != parentEntry {
			top[e.code], c.because = s, at+1
		}
	}
}

func (q *query) matches(limit int) []Match {
	var out []Match
	for i, c := range q.scores {
		// Other phrases of the code count a little, and never more than the
		// best one: a code with many phrases has no right to win by number.
		score := c.title + c.phrase + min(otherShare*(c.phrases-c.phrase), c.phrase)
		if score <= 0 {
			continue // words of headings alone are too vague
		}
		m := Match{Code: q.ix.codes[i], Score: score + c.parent}
		if c.because > 0 {
			m.Because = q.ix.entries[c.because-1].text
		}
		out = append(out, m)
	}
	slices.SortFunc(out, func(a, b Match) int {
		return cmp.Or(cmp.Compare(b.Score, a.Score), strings.Compare(a.Code.Code, b.Code.Code))
	})
	return out[:min(limit, len(out))]
}
