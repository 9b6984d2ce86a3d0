package mask

import (
	"regexp"
	"slices"
	"sort"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Kind is what a passage seems to be.
type Kind string

// Kinds, as they stand in a covered text.
const (
	Name  Kind = "name"
	Phone Kind = "phone number"
	Mail  Kind = "e-mail"
	Plate Kind = "number plate"
)

// Span is a passage of a text, in bytes.
type Span struct {
	Start, End int
	Kind       Kind
	// Sure says that the house knows the name, or that the form leaves little
	// doubt; else it is a guess.
	Sure bool
}

// Known is what the house knows: names of people, to be found in any case, and
// words that are no names however they are written, such as places and crews.
type Known struct{ People, Places []string }

var (
	mails  = regexp.MustCompile(`[A-Za-z0-9._%+-]+@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)+`)
	phones = regexp.MustCompile(`(\+?\d|\(0\d\))[\d ()-]{6,}\d`)
	// A plate of this country has five to seven letters and digits of both kinds.
	plates = regexp.MustCompile(`\b(?:[A-Z]{2,3}[ -]?\d{2,3}[ -]?[A-Z]{0,2}|\d{1,3}[ -]?[A-Z]{2,3}|[A-Z]{2}[ -]?\d{2}[ -]?[A-Z]{2}|\d{3}[ -]?[A-Z]{3})\b`)
	digits = regexp.MustCompile(`\d`)
	dates  = regexp.MustCompile(`^\d{4}-\d\d-\d\d|^\d\d-\d\d-\d{4}`)
)

// leads are words after which a word in capitals is most often a name.
var leads = set("told asked said rang called phoned saw with and by from to mr mrs ms miss dr name named mate supervisor foreman operator driver labourer groundsman spotter apprentice manager ganger leading hand")

// titles are leads that leave no doubt.
var titles = set("mr mrs ms miss dr")

// common are words in capitals that are no names: days, months, what begins
// sentences, trades, machines, short words of the trade.
var common = set(`monday tuesday wednesday thursday friday saturday sunday january february march april may june july august september october
november december the a an i he she it we they you his her their our my this that these those there here when while as after before at on in of for by with from to and or but
if then no not nobody none one two three four five everyone someone somebody crew depot road street lane avenue park creek shire council yard workshop nursery station transfer
quarry north south east west northside lakeside australia sydney police ambulance hospital manager supervisor foreman driver operator employee worker contractor team leader officer
ppe swms jsa sds whs ute ewp hr hv lv rcd cpr abc first aid left right upper lower hand foot arm leg safety report incident near miss hazard
truck loader excavator chipper mower saw chainsaw tractor grader roller forklift trailer tanker crane hoist pump yes ok am pm mr mrs ms dr all both each another during later today yesterday
what who where why how also because so just only still once again now about under over near behind beside between through inside outside stopped started fell hit cut slipped tripped`)

func set(s string) map[string]bool {
	out := map[string]bool{}
	for _, w := range strings.Fields(s) {
		out[w] = true
	}
	return out
}

// Find returns the passages of a text that may say who somebody is, in order and
// without overlap.
func Find(text string, k Known) []Span { return NewHouse(k).Find(text, nil) }

// Find returns the passages of a text that may say who somebody is, in order and
// without overlap. own is what is covered in the report that the text is of
// besides; nil for nothing.
func (h *House) Find(text string, own *Own) []Span {
	var out []Span
	// Most texts have neither, and looking for a pattern takes longest.
	if strings.Contains(text, "@") {
		for _, m := range mails.FindAllStringIndex(text, -1) {
			out = append(out, Span{m[0], m[1], Mail, true})
		}
	}
	if strings.ContainsAny(text, "0123456789") {
		for _, m := range phones.FindAllStringIndex(text, -1) {
			if n := len(digits.FindAllString(text[m[0]:m[1]], -1)); n >= 8 && n <= 15 && !dated(text[m[0]:m[1]]) {
				out = append(out, Span{m[0], m[1], Phone, true})
			}
		}
		for _, m := range plates.FindAllStringIndex(text, -1) {
			if s := strings.NewReplacer(" ", "", "-", "").Replace(text[m[0]:m[1]]); len(s) >= 5 && len(s) <= 7 {
				out = append(out, Span{m[0], m[1], Plate, false})
			}
		}
	}
	return tidy(append(out, h.names(text, own)...))
}

// dated reports whether digits are a date, such as 2026-03-31.
func dated(s string) bool { return dates.MatchString(s) }

// names finds names: those that the house knows, those of the report, then
// guesses.
func (h *House) names(text string, own *Own) []Span {
	if own == nil {
		own = &Own{}
	}
	all := wordsOf(text)
	person := func(low string) bool { return h.people[low] || own.names[low] }
	word := func(i int) string { return text[all[i][0]:all[i][1]] }
	var out []Span
	for i := 0; i < len(all); i++ {
		at := all[i]
		low := bare(word(i))
		first, _ := utf8.DecodeRuneInString(word(i))
		capital := unicode.IsUpper(first)
		end := endOf(text, at)
		// Two parts of names side by side are a name however they are written.
		pair := i+1 < len(all) && adjacent(text, at, all[i+1]) && person(low) && person(bare(word(i+1))) ||
			i > 0 && adjacent(text, all[i-1], at) && person(low) && person(bare(word(i-1)))
		beside := func() bool { n := len(out); return n > 0 && strings.Trim(text[out[n-1].End:at[0]], " ") == "" }
		switch row := own.row(text, all[i:]); {
		case row > 0:
			out = append(out, Span{at[0], endOf(text, all[i+row-1]), Name, true})
			i += row - 1
		case person(low) && (capital || pair || !ordinary(low)):
			if beside() && out[len(out)-1].Sure {
				out[len(out)-1].End = end // the second half of a name
				continue
			}
			out = append(out, Span{at[0], end, Name, true})
		case own.guesses[low] && capital && !h.places[low]:
			if beside() && !out[len(out)-1].Sure {
				out[len(out)-1].End = end
				continue
			}
			out = append(out, Span{at[0], end, Name, false})
		case !capital || common[low] || h.places[low] || shouted(word(i)):
		default:
			lead := ""
			if i > 0 && between(text, all[i-1], at) {
				lead = strings.ToLower(word(i - 1))
			}
			next := i+1 < len(all) && adjacent(text, at, all[i+1]) && h.capitalName(word(i+1))
			switch {
			case next && !begins(text, at[0]), next && titles[lead]:
				out = append(out, Span{at[0], endOf(text, all[i+1]), Name, titles[lead]})
				i++
			case !begins(text, at[0]) && (leads[lead] || i+2 < len(all) && strings.ToLower(word(i+1)) == "and" &&
				adjacent(text, at, all[i+1]) && adjacent(text, all[i+1], all[i+2]) && h.capitalName(word(i+2))):
				out = append(out, Span{at[0], end, Name, titles[lead]})
			}
		}
	}
	return out
}

// endOf is where a word ends without what makes it somebody's.
func endOf(text string, at [2]int) int {
	word := text[at[0]:at[1]]
	return at[0] + len(strings.TrimSuffix(strings.TrimSuffix(word, "'s"), "’s"))
}

// bare is a word in small letters without what makes it somebody's.
func bare(w string) string {
	return strings.TrimSuffix(strings.TrimSuffix(strings.ToLower(w), "'s"), "’s")
}

// smallWords are names that are also words which people write small.
var smallWords = set("wren fern moss iris brook reed heath rose may june will mark bill rob grace hope faith dale cliff glen lane ash hazel rusty sandy pat gene basil daisy lily ivy jack frank grant miles drew chase hunter mason cooper carter parker")

// ordinary reports whether a name is also a word that people write small.
func ordinary(w string) bool { return smallWords[w] }

// shouted reports whether a word is all in capitals: a text in capitals has no
// names that stand out, and short words in capitals are terms.
func shouted(w string) bool { return utf8.RuneCountInString(w) > 1 && strings.ToUpper(w) == w }

func (h *House) capitalName(w string) bool {
	low := bare(w)
	first, _ := utf8.DecodeRuneInString(w)
	return unicode.IsUpper(first) && !shouted(w) && !common[low] && !h.places[low]
}

// adjacent reports whether two words stand side by side.
func adjacent(text string, a, b [2]int) bool { return strings.Trim(text[a[1]:b[0]], " ") == "" }

// between is adjacent, or after a title with a full stop.
func between(text string, a, b [2]int) bool {
	gap := strings.Trim(text[a[1]:b[0]], " ")
	return gap == "" || gap == "." && titles[strings.ToLower(text[a[0]:a[1]])] || gap == ":"
}

// begins reports whether a sentence begins at a byte.
func begins(text string, at int) bool {
	before := strings.TrimRight(text[:at], " \t\"'“‘(-•*")
	if before == "" {
		return true
	}
	switch before[len(before)-1] {
	case '.', '!', '?', '\n', '\r', ';':
		word := before[:len(before)-1]
		word = word[strings.LastIndexAny(word, " \n\t")+1:]
		return !titles[strings.ToLower(word)]
	}
	return false
}

// tidy sorts spans and drops what lies within or across another; what is sure
// goes first.
func tidy(list []Span) []Span {
	sort.SliceStable(list, func(i, j int) bool { return list[i].Sure && !list[j].Sure })
	var out []Span
	for _, s := range list {
		if s.End > s.Start && !slices.ContainsFunc(out, func(o Span) bool { return s.Start < o.End && o.Start < s.End }) {
			out = append(out, s)
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Start < out[j].Start })
	return out
}

// Cover puts what a passage is in its place: "[name] rang [name]".
func Cover(text string, spans []Span) string {
	var b strings.Builder
	at := 0
	for _, s := range spans {
		if s.Start < at || s.End > len(text) {
			continue
		}
		b.WriteString(text[at:s.Start])
		b.WriteString("[" + string(s.Kind) + "]")
		at = s.End
	}
	b.WriteString(text[at:])
	return b.String()
}
