package importer

import (
	"embed"
	"encoding/csv"
	"fmt"
	"io"
	"sort"
	"strings"
	"sync"
)

// Mark stands beside every code that a crosswalk gave.
const Mark = "crosswalk, not reviewed"

//go:embed crosswalks/*.csv
var crosswalkFiles embed.FS

// crossing is one row of a crosswalk.
type crossing struct {
	from, to     string
	alternatives []string
	fit          string // exact, close, broad, none
}

// crosswalk leads from the codes or keywords of another scheme to one facet.
type crosswalk struct {
	name   string
	facet  string // of facetItems; agency serves both agencies
	prefix bool   // a longer code answers by its longest beginning
	rows   map[string]crossing
}

// crosswalkSources says what each crosswalk is made of. Of two files, the rows
// of the later one win.
var crosswalkSources = []struct {
	name, facet string
	files       []string
	from, to    string // columns
	kind        string // only rows of this kind
}{
	{"oiics-event-to-toocs-mechanism", "mechanism", []string{"oiics_event_mechanism.csv", "oiics_event_own.csv"}, "oiics_code", "toocs_mechanism_code|toocs_code", ""},
	{"oiics-nature-to-toocs-nature", "nature", []string{"oiics_nature.csv"}, "oiics_code", "toocs_code", ""},
	{"osha-keyword-to-toocs-mechanism", "mechanism", []string{"osha_keywords.csv"}, "keyword", "toocs_code", "event"},
	{"osha-keyword-to-toocs-nature", "nature", []string{"osha_keywords.csv"}, "keyword", "toocs_code", "nature"},
	{"osha-keyword-to-toocs-bodily-location", "bodily_location", []string{"osha_keywords.csv"}, "keyword", "toocs_code", "part"},
}

// crosswalks returns all crosswalks by name. The embedded files are part of
// the program, and its tests read every row.
var crosswalks = sync.OnceValues(func() (map[string]*crosswalk, error) {
	out := map[string]*crosswalk{}
	for _, s := range crosswalkSources {
		x := &crosswalk{name: s.name, facet: s.facet, prefix: s.from == "oiics_code", rows: map[string]crossing{}}
		for _, file := range s.files {
			if err := x.load(file, s.from, s.to, s.kind); err != nil {
				return nil, fmt.Errorf("importer: crosswalk %s: %w", file, err)
			}
		}
		out[s.name] = x
	}
	return out, nil
})

func (x *crosswalk) load(file, from, to, kind string) error {
	f, err := crosswalkFiles.Open("crosswalks/" + file)
	if err != nil {
		return err
	}
	defer f.Close()
	r := csv.NewReader(f)
	header, err := r.Read()
	if err != nil {
		return err
	}
	at := map[string]int{}
	for i, h := range header {
		at[h] = i
	}
	if first, second, either := strings.Cut(to, "|"); either {
		if to = first; !has(at, first) {
			to = second
		}
	}
	for {
		row, err := r.Read()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		if kind != "" && row[at["kind"]] != kind {
			continue
		}
		c := crossing{from: foldKeyword(row[at[from]]), to: row[at[to]], fit: row[at["fit"]],
			alternatives: strings.Fields(row[at["toocs_alternatives"]])}
		x.rows[c.from] = c
	}
}

func has(m map[string]int, k string) bool { _, ok := m[k]; return ok }

func foldKeyword(s string) string { return strings.ToUpper(strings.Join(strings.Fields(s), " ")) }

// look returns the row that answers for a code or keyword. A row that says
// itself that nothing fits is no answer.
func (x *crosswalk) look(from string) (crossing, bool) {
	key := foldKeyword(from)
	shortest := len(key)
	if x.prefix {
		if len(key) > 4 || strings.Trim(key, "0123456789") != "" {
			return crossing{}, false
		}
		shortest = 1
	}
	for n := len(key); n >= shortest && n > 0; n-- {
		if c, ok := x.rows[key[:n]]; ok {
			return c, c.fit != "none"
		}
	}
	return crossing{}, false
}

// crosswalkNames returns the names of all crosswalks.
func crosswalkNames() string {
	var out []string
	for _, s := range crosswalkSources {
		out = append(out, s.name)
	}
	sort.Strings(out)
	return strings.Join(out, ", ")
}
