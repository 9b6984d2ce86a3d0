package toocs

import (
	"embed"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"sync"
)

//go:embed data
var embedded embed.FS

// dir returns one directory of the embedded data.
func dir(name string) fs.FS {
	sub, err := fs.Sub(embedded, "data/"+name)
	if err != nil {
		panic(err) // only a malformed constant can cause it
	}
	return sub
}

// Default returns the embedded edition: TOOCS 3.1, from a checked
// transcription. It is read once; the table is the same each time and may be
// used by several goroutines.
func Default() *Table { return defaultTable() }

var defaultTable = sync.OnceValue(func() *Table {
	t, err := Load(dir("toocs31"))
	if err != nil {
		// The embedded files are checked by the tests of this package.
		panic(err)
	}
	return t
})

// LoadDir reads an edition from a directory. See [Load].
func LoadDir(path string) (*Table, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("toocs: open code tables: %w", err)
	}
	if !info.IsDir() {
		return nil, fmt.Errorf("toocs: open code tables: %s is a file; name the directory that holds edition.csv", path)
	}
	return Load(os.DirFS(path))
}

// Load reads an edition from csv files:
//
//   - edition.csv: key, value (scheme, edition, date and source are required);
//   - mechanism.csv, nature.csv, bodily_location.csv, agency.csv:
//     code, parent, level, title, source, confidence;
//   - agency_alias.csv (optional): alias, code, source;
//   - later_additions.csv (optional): classification, code, parent, level,
//     title, source, note;
//   - notes.csv (optional): list, code, note, basis;
//   - thesaurus.csv (optional): list, code, phrases, added to the plain words
//     that are built in.
//
// Built-in plain words whose code the edition lacks are left out and counted
// by [Table.UnusedWords]. The error joins one [DataError] for each problem
// found, with file and line; a table is returned only if there is none.
func Load(fsys fs.FS) (*Table, error) {
	r := &reader{fsys: fsys}
	t := &Table{
		edition: r.readEdition(),
		lists:   map[List]*listTable{},
		aliases: map[string]string{},
		notes:   map[listCode][]Note{},
	}
	for _, l := range Lists() {
		t.lists[l] = r.readList(l)
	}
	if err := r.err(); err != nil {
		// What follows refers to the lists and would only repeat the errors.
		return nil, err
	}
	r.readAliases(t)
	r.readLater(t)
	r.readNotes(t)
	own := r.readThesaurus(t, false)
	if err := r.err(); err != nil {
		return nil, err
	}
	if err := t.readWords(dir("words"), own); err != nil {
		return nil, err
	}
	return t, nil
}

// readList reads and checks one code list.
func (r *reader) readList(l List) *listTable {
	file := string(l) + ".csv"
	lt := &listTable{byCode: map[string]int{}, children: map[string][]int{}}
	lines := map[string]int{}
	before := len(r.problems)
	for _, row := range r.rows(file, true, "code", "parent", "level", "title", "source", "confidence") {
		c := Code{
			List: l, Code: row.get("code"), Parent: row.get("parent"), Title: row.get("title"),
			Source: row.get("source"), Confidence: Confidence(row.get("confidence")),
		}
		want := shapeLevel(l, c.Code)
		switch {
		case c.Code == "":
			r.problem(file, row.line, "code is empty")
			continue
		case want == 0:
			r.problem(file, row.line, "%q is not written like a code of the %s list", c.Code, l.Title())
			continue
		case lines[c.Code] > 0:
			r.problem(file, row.line, "code %s is already on line %d (a spreadsheet may have dropped a leading zero)", c.Code, lines[c.Code])
			continue
		case row.get("level") != fmt.Sprint(want):
			r.problem(file, row.line, "code %s has level %q, but a code written like this has level %d", c.Code, row.get("level"), want)
		case c.Title == "":
			r.problem(file, row.line, "code %s has no title", c.Code)
		case !c.Confidence.valid():
			r.problem(file, row.line, "code %s has confidence %q; use official, verified, memory or conflict", c.Code, c.Confidence)
		}
		c.Level = want
		lines[c.Code] = row.line
		lt.codes = append(lt.codes, c)
	}
	slices.SortFunc(lt.codes, func(a, b Code) int { return strings.Compare(a.Code, b.Code) })
	for i, c := range lt.codes {
		lt.byCode[c.Code] = i
	}
	if len(lt.codes) == 0 && len(r.problems) == before {
		r.problem(file, 1, "has no codes")
	}
	for i, c := range lt.codes {
		r.checkParent(lt, c, lines[c.Code])
		if c.Parent != "" {
			lt.children[c.Parent] = append(lt.children[c.Parent], i)
		}
	}
	r.checkDepth(lt, l, lines)
	return lt
}

// checkParent reports a parent that is missing, too deep, or that the code's
// own digits contradict.
func (r *reader) checkParent(lt *listTable, c Code, line int) {
	file := string(c.List) + ".csv"
	i, ok := lt.byCode[c.Parent]
	switch {
	case c.Level == 1 && c.Parent != "":
		r.problem(file, line, "code %s is a group and cannot have the parent %s", c.Code, c.Parent)
	case c.Level == 1:
	case c.Parent == "":
		r.problem(file, line, "code %s has no parent", c.Code)
	case !ok:
		r.problem(file, line, "code %s has the parent %s, which is not in the list", c.Code, c.Parent)
	case c.List == Nature && lt.codes[i].Level >= c.Level:
		r.problem(file, line, "code %s has the parent %s, which is not above it", c.Code, c.Parent)
	// In every other list, and for F1 under F, the code begins with its
	// parent's digits and is one longer.
	case (c.List != Nature || c.Level == 2) && c.Code[:len(c.Code)-1] != c.Parent:
		r.problem(file, line, "code %s has the parent %s; by its digits it belongs under %s", c.Code, c.Parent, c.Code[:len(c.Code)-1])
	}
}

// checkDepth reports codes without codes below them that stand too high to be
// assigned: a heading that was left empty.
func (r *reader) checkDepth(lt *listTable, l List, lines map[string]int) {
	lowest := map[List]int{Mechanism: 2, Nature: 3, BodilyLocation: 3, Agency: 3}[l]
	for _, c := range lt.codes {
		if c.Level < lowest && len(lt.children[c.Code]) == 0 {
			r.problem(string(l)+".csv", lines[c.Code], "%s is a heading at level %d, but no code stands under it", c.Code, c.Level)
		}
	}
}

func (r *reader) readAliases(t *Table) {
	const file = "agency_alias.csv"
	lines := map[string]int{}
	for _, row := range r.rows(file, false, "alias", "code", "source") {
		alias, code := row.get("alias"), row.get("code")
		_, isCode := t.Get(Agency, alias)
		_, known := t.Get(Agency, code)
		switch {
		case shapeLevel(Agency, alias) == 0:
			r.problem(file, row.line, "alias %q is not written like an agency code", alias)
		case isCode:
			r.problem(file, row.line, "alias %s is itself a code of the agency list", alias)
		case lines[alias] > 0:
			r.problem(file, row.line, "alias %s is already on line %d", alias, lines[alias])
		case !known:
			r.problem(file, row.line, "alias %s points to %s, which is not in the agency list", alias, code)
		default:
			t.aliases[alias] = code
		}
		lines[alias] = max(lines[alias], row.line)
	}
}

func (r *reader) readLater(t *Table) {
	const file = "later_additions.csv"
	for _, row := range r.rows(file, false, "classification", "code", "parent", "level", "title", "source", "note") {
		l, code := List(row.get("classification")), row.get("code")
		if t.lists[l] == nil {
			r.problem(file, row.line, "classification %q is not one of mechanism, nature, bodily_location, agency", l)
			continue
		}
		if _, ok := t.Get(l, row.get("parent")); !ok || shapeLevel(l, code) == 0 {
			r.problem(file, row.line, "code %q under %q does not fit the %s list", code, row.get("parent"), l.Title())
			continue
		}
		t.later = append(t.later, Addition{List: l, Code: code, Title: row.get("title"), Note: row.get("note"), Source: row.get("source")})
	}
}

func (r *reader) readNotes(t *Table) {
	const file = "notes.csv"
	for _, row := range r.rows(file, false, "list", "code", "note", "basis") {
		l, code := List(row.get("list")), row.get("code")
		if _, ok := t.Get(l, code); !ok {
			r.problem(file, row.line, "note on %s %s, which is not in the table", l, code)
			continue
		}
		key := listCode{l, code}
		t.notes[key] = append(t.notes[key], Note{Text: row.get("note"), Basis: row.get("basis")})
	}
}
