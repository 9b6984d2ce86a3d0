package search

import (
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	pb "fairlead/proto/gen/fairlead/v1"
)

const (
	// passageRunes is about how long a passage is, in letters and signs.
	passageRunes = 200
	// wordRoom is how far a cut is moved to spare a word.
	wordRoom = 24
	// ellipsis stands where a passage was cut.
	ellipsis = "…"
)

// matchedWord is a word of a text that was looked for.
type matchedWord struct {
	start, end int // bytes
	key        int // which of the things looked for it belongs to
}

// passage returns the part of a report that fits the words best, in pieces.
// The report must have been cut down to what the asker may see: the texts that
// are left in it are the texts that can be shown.
func (l *language) passage(r *pb.Report, rd reading) []*pb.SnippetPart {
	all := append(told(r), health(r)...)
	bestText, bestFrom, bestTo, bestMarks, bestScore := "", 0, 0, []matchedWord(nil), 0
	for _, text := range all {
		marks := l.matches(text, rd)
		from, to, score := densest(text, marks)
		if score > bestScore {
			bestText, bestFrom, bestTo, bestMarks, bestScore = text, from, to, marks, score
		}
	}
	if bestScore == 0 {
		bestText = r.GetNarrative()
	}
	from, to := widen(bestText, bestFrom, bestTo)
	return pieces(bestText, from, to, bestMarks)
}

// matches returns the words of a text that were looked for, in order. A word
// of a phrase counts only where the phrase stands.
func (l *language) matches(text string, rd reading) []matchedWord {
	if text == "" {
		return nil
	}
	tokens := slices.Collect(l.tokens(text))
	keys := map[int]int{} // token to key
	note := func(token, key int) {
		if _, taken := keys[token]; !taken {
			keys[token] = key
		}
	}
	for key, w := range rd.wanted {
		for _, way := range w.ways {
			for _, ph := range way.phrases {
				for i := range tokens {
					for _, at := range standsAt(tokens, i, ph) {
						note(at, key)
					}
				}
			}
		}
	}
	for i, t := range tokens {
		if slices.Contains(rd.helps, t.term) {
			note(i, -1)
		}
	}
	var out []matchedWord
	for i, t := range tokens {
		if key, ok := keys[i]; ok {
			out = append(out, matchedWord{t.start, t.end, key})
		}
	}
	return out
}

// standsAt returns the tokens of a phrase that begins with token i, or nil.
func standsAt(tokens []token, i int, ph phrase) []int {
	if !slices.Contains(ph[0], tokens[i].term) {
		return nil
	}
	at := []int{i}
	for step := 1; step < len(ph); step++ {
		if len(ph[step]) == 0 {
			continue
		}
		place := tokens[i].place + step
		next := at[len(at)-1] + 1
		for next < len(tokens) && tokens[next].place < place {
			next++
		}
		if next == len(tokens) || tokens[next].place != place || !slices.Contains(ph[step], tokens[next].term) {
			return nil
		}
		at = append(at, next)
	}
	return at
}

// densest returns the stretch of matches, no longer than a passage, that has
// the most different things looked for, then the most words of them.
func densest(text string, marks []matchedWord) (from, to, score int) {
	for i, first := range marks {
		seen := map[int]bool{}
		words := 0
		runes, counted := 0, first.start
		for _, m := range marks[i:] {
			runes += utf8.RuneCountInString(text[counted:m.end])
			counted = m.end
			if words > 0 && runes > passageRunes {
				break
			}
			words++
			if m.key >= 0 {
				seen[m.key] = true
			}
			if s := 1000*len(seen) + words; s > score {
				from, to, score = first.start, m.end, s
			}
		}
	}
	return from, to, score
}

// widen grows a stretch on both sides to the length of a passage, and moves
// the cuts so that they spare words.
func widen(text string, from, to int) (int, int) {
	spare := passageRunes - utf8.RuneCountInString(text[from:to])
	for spare > 0 && (from > 0 || to < len(text)) {
		if from > 0 {
			_, n := utf8.DecodeLastRuneInString(text[:from])
			from -= n
			spare--
		}
		if to < len(text) && spare > 0 {
			_, n := utf8.DecodeRuneInString(text[to:])
			to += n
			spare--
		}
	}
	return spareLeft(text, from), spareRight(text, to)
}

// spareLeft moves a cut that would part a word back to where the word begins;
// a word without an end is cut, but not between a letter and its marks.
func spareLeft(text string, at int) int {
	back := at
	for range wordRoom {
		if back == 0 || !within(text, back) {
			return back
		}
		_, n := utf8.DecodeLastRuneInString(text[:back])
		back -= n
	}
	for at > 0 && markAt(text, at) {
		_, n := utf8.DecodeLastRuneInString(text[:at])
		at -= n
	}
	return at
}

func spareRight(text string, at int) int {
	on := at
	for range wordRoom {
		if on == len(text) || !within(text, on) {
			return on
		}
		_, n := utf8.DecodeRuneInString(text[on:])
		on += n
	}
	for at < len(text) && markAt(text, at) {
		_, n := utf8.DecodeRuneInString(text[at:])
		at += n
	}
	return at
}

// within reports whether there is no space on either side of a cut.
func within(text string, at int) bool {
	before, _ := utf8.DecodeLastRuneInString(text[:at])
	after, _ := utf8.DecodeRuneInString(text[at:])
	return !unicode.IsSpace(before) && !unicode.IsSpace(after)
}

func markAt(text string, at int) bool {
	r, _ := utf8.DecodeRuneInString(text[at:])
	return unicode.Is(unicode.M, r)
}

// pieces parts text[from:to] into what was looked for and what stands between.
// Line breaks become spaces.
func pieces(text string, from, to int, marks []matchedWord) []*pb.SnippetPart {
	var out []*pb.SnippetPart
	add := func(s string, matched bool) {
		if s = spaces(s); s != "" {
			out = append(out, &pb.SnippetPart{Text: s, Matched: matched})
		}
	}
	at := from
	for _, m := range marks {
		if m.start < at || m.end > to {
			continue
		}
		add(text[at:m.start], false)
		add(text[m.start:m.end], true)
		at = m.end
	}
	add(text[at:to], false)
	if len(out) == 0 {
		return nil
	}
	if from > 0 {
		out = prepend(out, ellipsis)
	} else if first := out[0]; !first.GetMatched() {
		first.Text = strings.TrimLeft(first.GetText(), " ")
	}
	if to < len(text) {
		out = postpend(out, ellipsis)
	} else if last := out[len(out)-1]; !last.GetMatched() {
		last.Text = strings.TrimRight(last.GetText(), " ")
	}
	return slices.DeleteFunc(out, func(p *pb.SnippetPart) bool { return p.GetText() == "" })
}

func prepend(parts []*pb.SnippetPart, s string) []*pb.SnippetPart {
	if first := parts[0]; !first.GetMatched() {
		first.Text = s + first.GetText()
		return parts
	}
	return append([]*pb.SnippetPart{{Text: s}}, parts...)
}

func postpend(parts []*pb.SnippetPart, s string) []*pb.SnippetPart {
	if last := parts[len(parts)-1]; !last.GetMatched() {
		last.Text += s
		return parts
	}
	return append(parts, &pb.SnippetPart{Text: s})
}

// spaces makes one space of every run of spaces, line breaks and control
// signs.
func spaces(s string) string {
	var b strings.Builder
	open := false
	for _, r := range s {
		if unicode.IsSpace(r) || unicode.IsControl(r) {
			open = true
			continue
		}
		if open {
			b.WriteByte(' ')
			open = false
		}
		b.WriteRune(r)
	}
	if open {
		b.WriteByte(' ')
	}
	return b.String()
}
