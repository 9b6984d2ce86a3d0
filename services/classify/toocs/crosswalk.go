package toocs

import (
	"io/fs"
	"slices"
	"strings"
	"sync"
)

// A Fit says how well one scheme's code is carried by another's.
type Fit string

// The fits, best first.
const (
	FitExact Fit = "exact" // the two mean the same
	FitClose Fit = "close" // mostly the same; the note or the alternatives say where not
	FitBroad Fit = "broad" // one code for several: the narrative must decide
	FitNone  Fit = "none"  // no code fits; the one given is a last resort
)

// CrosswalkMark stands beside every answer of a crosswalk that is shown or
// stored.
const CrosswalkMark = "crosswalk, not reviewed"

// A Crossing is one step from another scheme's code or keyword to TOOCS.
type Crossing struct {
	From         string // what was asked: a code or keyword of the other scheme
	Matched      string // the row that answered: From itself or the code above it
	MatchedTitle string // that row's title in the other scheme
	To           Code
	Alternatives []Code // other codes that the same row may mean
	Fit          Fit    // of the row; when Matched is shorter than From it may flatter
	Note         string // what decides between them, if anything is said
	Provenance   string // whose judgement the row is
	Mark         string // CrosswalkMark
}

// Codes returns the crossing's code and its alternatives, likeliest first.
func (c Crossing) Codes() []Code { return append([]Code{c.To}, c.Alternatives...) }

// A KeywordKind is one of the three kinds of index keyword in the summaries
// of OSHA investigations that crosswalks exist for.
type KeywordKind string

// The kinds of keyword.
const (
	PartKeyword   KeywordKind = "part"   // to bodily location
	EventKeyword  KeywordKind = "event"  // to mechanism
	NatureKeyword KeywordKind = "nature" // to nature
)

// keywordLists says which list each kind leads to.
var keywordLists = map[KeywordKind]List{PartKeyword: BodilyLocation, EventKeyword: Mechanism, NatureKeyword: Nature}

// A Crosswalk leads from OIICS 2.01 and from OSHA keywords to one TOOCS
// table. It never changes after loading.
type Crosswalk struct {
	events, natures map[string]Crossing
	keywords        map[KeywordKind]map[string]Crossing
}

// DefaultCrosswalk returns the embedded crosswalks into [Default].
func DefaultCrosswalk() *Crosswalk { return defaultCrosswalk() }

var defaultCrosswalk = sync.OnceValue(func() *Crosswalk {
	x, err := LoadCrosswalk(dir("crosswalk"), Default())
	if err != nil {
		// The embedded files are checked by the tests of this package.
		panic(err)
	}
	return x
})

// LoadCrosswalk reads crosswalks into a table from csv files:
//
//   - oiics_event_mechanism.csv and oiics_event_own.csv: OIICS event to
//     mechanism; rows of the second stand before those of the first;
//   - oiics_nature.csv: OIICS nature to nature;
//   - osha_keywords.csv: kind and keyword to bodily location, mechanism or
//     nature.
//
// Every row must lead to codes that may be assigned. The error joins one
// [DataError] for each problem, with file and line.
func LoadCrosswalk(fsys fs.FS, t *Table) (*Crosswalk, error) {
	r := &reader{fsys: fsys}
	x := &Crosswalk{events: map[string]Crossing{}, natures: map[string]Crossing{}, keywords: map[KeywordKind]map[string]Crossing{}}
	read := func(file, codeColumn string, l List, into map[string]Crossing) {
		here := map[string]int{}
		for _, row := range r.rows(file, true, "oiics_code", "oiics_title", codeColumn, "toocs_alternatives", "fit", "note", "provenance") {
			code := row.get("oiics_code")
			if !digitsOnly(code) || code == "" || len(code) > longestOIICS {
				r.problem(file, row.line, "%q is not an OIICS code of 1 to 4 digits", code)
				continue
			}
			if here[code] > 0 {
				r.problem(file, row.line, "code %s is already on line %d", code, here[code])
				continue
			}
			here[code] = row.line
			if c, ok := r.crossing(t, file, row, l, codeColumn); ok {
				c.Matched, c.MatchedTitle = code, row.get("oiics_title")
				into[code] = c
			}
		}
	}
	read("oiics_event_mechanism.csv", "toocs_mechanism_code", Mechanism, x.events)
	read("oiics_event_own.csv", "toocs_code", Mechanism, x.events)
	read("oiics_nature.csv", "toocs_code", Nature, x.natures)

	const file = "osha_keywords.csv"
	for _, row := range r.rows(file, true, "kind", "keyword", "toocs_list", "toocs_code", "toocs_alternatives", "fit", "note", "provenance") {
		kind, word := KeywordKind(row.get("kind")), foldKeyword(row.get("keyword"))
		l, ok := keywordLists[kind]
		if !ok || List(row.get("toocs_list")) != l {
			r.problem(file, row.line, "kind %q does not lead to the list %q", kind, row.get("toocs_list"))
			continue
		}
		if c, ok := r.crossing(t, file, row, l, "toocs_code"); ok {
			c.Matched, c.MatchedTitle = word, word
			if x.keywords[kind] == nil {
				x.keywords[kind] = map[string]Crossing{}
			}
			if _, twice := x.keywords[kind][word]; twice {
				r.problem(file, row.line, "keyword %s is there twice", word)
			}
			x.keywords[kind][word] = c
		}
	}
	if err := r.err(); err != nil {
		return nil, err
	}
	return x, nil
}

// longestOIICS is how many digits an OIICS code has at most.
const longestOIICS = 4

// crossing reads what every crosswalk row has: where it leads and how well.
func (r *reader) crossing(t *Table, file string, row row, l List, codeColumn string) (Crossing, bool) {
	c := Crossing{Fit: Fit(row.get("fit")), Note: row.get("note"), Provenance: row.get("provenance"), Mark: CrosswalkMark}
	ok := true
	assignable := func(code string) Code {
		to, found := t.Get(l, code)
		if !found || !t.isLeaf(to) {
			r.problem(file, row.line, "leads to %s %q, which may not be assigned", l.Title(), code)
			ok = false
		}
		return to
	}
	c.To = assignable(row.get(codeColumn))
	for code := range strings.FieldsSeq(row.get("toocs_alternatives")) {
		c.Alternatives = append(c.Alternatives, assignable(code))
	}
	if !slices.Contains([]Fit{FitExact, FitClose, FitBroad, FitNone}, c.Fit) {
		r.problem(file, row.line, "fit %q; use exact, close, broad or none", c.Fit)
		ok = false
	}
	if c.Provenance == "" {
		r.problem(file, row.line, "provenance is empty; say whose judgement the row is")
		ok = false
	}
	return c, ok
}

// Mechanism leads from an OIICS 2.01 event or exposure code of 1 to 4 digits
// to a mechanism. The row of the longest beginning of the code answers. It is
// false for what is not a code and for 9999, nonclassifiable: no mechanism can
// be had from it.
func (x *Crosswalk) Mechanism(oiicsEvent string) (Crossing, bool) {
	return longestPrefix(x.events, oiicsEvent)
}

// Nature leads from an OIICS 2.01 nature code of 1 to 4 digits to a nature of
// injury or disease, as [Crosswalk.Mechanism] does. Divisions too wide for one
// answer, such as all traumatic injuries, have none.
func (x *Crosswalk) Nature(oiicsNature string) (Crossing, bool) {
	return longestPrefix(x.natures, oiicsNature)
}

func longestPrefix(rows map[string]Crossing, code string) (Crossing, bool) {
	code = strings.TrimSpace(code)
	if code == "" || len(code) > longestOIICS || !digitsOnly(code) {
		return Crossing{}, false
	}
	for n := len(code); n > 0; n-- {
		if c, ok := rows[code[:n]]; ok {
			c.From = code
			c.Alternatives = slices.Clone(c.Alternatives)
			return c, true
		}
	}
	return Crossing{}, false
}

// Keyword leads from an index keyword of an OSHA investigation summary.
// Capitals and spaces around it do not matter.
func (x *Crosswalk) Keyword(kind KeywordKind, keyword string) (Crossing, bool) {
	word := foldKeyword(keyword)
	c, ok := x.keywords[kind][word]
	if ok {
		c.From = word
		c.Alternatives = slices.Clone(c.Alternatives)
	}
	return c, ok
}

func foldKeyword(s string) string {
	return strings.ToUpper(strings.Join(strings.Fields(s), " "))
}
