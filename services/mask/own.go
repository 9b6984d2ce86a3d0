package mask

import (
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Rules numbers what Find, Own and Cover make of the same texts and the same
// house. Raise it when they make something else of them: what was made by older
// rules, such as an index of covered texts, is then made anew.
const Rules = 2

// Own is what is covered in one report: a name that was found or covered in one
// of its texts is covered in all of them, also where nothing but that tells that
// it is one.
type Own struct {
	// names are covered however they are written, guesses in capitals only.
	names, guesses map[string]bool
	// rows are words that were covered beside each other and are written small.
	rows [][]string
}

// Own gathers the names that stand in the texts of a report.
func (h *House) Own(texts ...string) *Own {
	o := &Own{names: map[string]bool{}, guesses: map[string]bool{}}
	for _, text := range texts {
		for _, s := range h.Find(text, nil) {
			if s.Kind != Name {
				continue
			}
			for _, w := range PlaceWords(text[s.Start:s.End]) {
				switch w = bare(w); {
				case h.people[w] || common[w]:
				case s.Sure && utf8.RuneCountInString(w) >= 3:
					o.names[w] = true
				default:
					o.guesses[w] = true
				}
			}
		}
	}
	return o
}

// Decided adds the words that somebody covered by hand, who made covered of text:
// what stands where covered has a passage in brackets, and what is written in
// capitals within a sentence and was left out.
func (o *Own) Decided(h *House, text, covered string) {
	was, now := pieces(text), pieces(covered)
	stays := map[string]bool{}
	for _, p := range now {
		stays[p.low] = true
	}
	for _, c := range changes(was, now) {
		var gone []piece
		small := false // whether one of them is written small
		for _, p := range c.was {
			if !p.mark && !common[p.low] && !stays[p.low] && (!h.places[p.low] || c.marked) {
				gone = append(gone, p)
				small = small || !p.capital
			}
		}
		for _, p := range gone {
			first := begins(text, p.at)
			switch {
			case !p.capital || first && !c.marked:
			case c.marked && utf8.RuneCountInString(p.low) >= 3 && !(first && small):
				o.names[p.low] = true
			default:
				// Also what may be in capitals because a sentence begins.
				o.guesses[p.low] = true
			}
		}
		if c.marked && small && (len(gone) > 1 || utf8.RuneCountInString(gone[0].low) >= 3) {
			var row []string
			for _, p := range c.was[slices.Index(c.was, gone[0]) : slices.Index(c.was, gone[len(gone)-1])+1] {
				row = append(row, p.low)
			}
			o.rows = append(o.rows, row)
		}
	}
}

// row returns how many of the words that lie ahead are a row, at most.
func (o *Own) row(text string, ahead [][2]int) int {
	longest := 0
	for _, row := range o.rows {
		fits := len(row) <= len(ahead) && len(row) > longest
		for i := 0; fits && i < len(row); i++ {
			fits = bare(text[ahead[i][0]:ahead[i][1]]) == row[i] && (i == 0 || adjacent(text, ahead[i-1], ahead[i]))
		}
		if fits {
			longest = len(row)
		}
	}
	return longest
}

// Cover covers a text of a report.
func (h *House) Cover(text string, own *Own) string {
	spans := h.Find(text, own)
	if len(spans) == 0 {
		return text
	}
	return Cover(text, spans)
}

// piece is a word of a text, or a mark that stands for what is covered.
type piece struct {
	low           string
	at            int
	capital, mark bool
}

// longestMark is how long what stands in brackets can be and still be a mark.
const longestMark = 40

// pieces takes a text apart.
func pieces(text string) []piece {
	var out []piece
	words := func(from, to int) {
		for _, at := range wordsOf(text[from:to]) {
			w := text[from+at[0] : from+at[1]]
			first, _ := utf8.DecodeRuneInString(w)
			out = append(out, piece{low: bare(w), at: from + at[0], capital: unicode.IsUpper(first)})
		}
	}
	at := 0
	for at < len(text) {
		open := strings.IndexByte(text[at:], '[')
		if open < 0 {
			break
		}
		open += at
		size := strings.IndexByte(text[open:], ']')
		if size < 0 {
			break
		}
		words(at, open)
		if size > longestMark {
			words(open, open+size)
		} else {
			out = append(out, piece{low: "[]", at: open, mark: true})
		}
		at = open + size + 1
	}
	words(at, len(text))
	return out
}
