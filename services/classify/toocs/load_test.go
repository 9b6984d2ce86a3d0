package toocs

import (
	"bytes"
	"errors"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

// small is a complete edition of a few rows, in the shape that Load reads.
func small() fstest.MapFS {
	file := func(s string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(s)} }
	const head = "code,parent,level,title,source,confidence\n"
	return fstest.MapFS{
		"edition.csv":         file("key,value\nscheme,TOOCS\nedition,9.9\ndate,2031\nsource,an invented file\n"),
		"mechanism.csv":       file(head + "0,,1,Falls,x,official\n01,0,2,Falls from a height,x,official\n"),
		"nature.csv":          file(head + "F,,1,Joints,x,official\nF1,F,2,Ligaments,x,official\n201,F1,3,Dislocation,x,official\n"),
		"bodily_location.csv": file(head + "4,,1,Upper limbs,x,official\n41,4,2,Shoulder,x,official\n410,41,3,Shoulder,x,official\n"),
		"agency.csv":          file(head + "6,,1,Materials,x,official\n63,6,2,Substances,x,official\n636,63,3,Air under pressure,x,official\n639,63,3,Other,x,official\n6391,639,4,Waste,x,official\n"),
		"agency_alias.csv":    file("alias,code,source\n6369,636,x\n"),
		"later_additions.csv": file("classification,code,parent,level,title,source,note\nmechanism,09,0,2,Falls in orbit,x,added in 2040\n"),
		"notes.csv":           file("list,code,note,basis\nmechanism,01,From any height.,x\n"),
		"thesaurus.csv":       file("list,code,phrases\nmechanism,01,plummet;came a cropper\n"),
	}
}

// A later edition loads as data: other codes, other date, own words, and the
// built-in words only where their codes exist.
func TestLoad_anotherEdition(t *testing.T) {
	tab, err := Load(small())
	require.NoError(t, err)
	require.Equal(t, "TOOCS 9.9 (2031)", tab.Edition().String())
	require.Len(t, tab.Codes(Mechanism), 2)
	require.Positive(t, tab.UnusedWords())
	require.Zero(t, Default().UnusedWords())
	for _, words := range []string{"plummeted", "came a cropper", "fell off ladder"} {
		matches := tab.LookUp(MechanismFacet, words, 3)
		require.NotEmpty(t, matches, words)
		require.Equal(t, "01", matches[0].Code.Code)
	}
	c, err := tab.Resolve(AgencyFacet, "6369")
	require.NoError(t, err)
	require.Equal(t, "636", c.Code)
	_, err = tab.Resolve(MechanismFacet, "09")
	require.Equal(t, ReasonLater, refused(t, err).Reason)
	require.Equal(t, []Note{{"From any height.", "x"}}, tab.Notes(Mechanism, "01"))
	require.Len(t, tab.Later(Mechanism), 1)
	require.Empty(t, tab.Later(Nature))
}

func TestLoad_optionalFilesMayBeAbsent(t *testing.T) {
	files := small()
	for _, name := range []string{"agency_alias.csv", "later_additions.csv", "notes.csv", "thesaurus.csv"} {
		delete(files, name)
	}
	tab, err := Load(files)
	require.NoError(t, err)
	require.Empty(t, tab.Aliases())
}

// TestLoad_embeddedFilesFromADirectory: what LoadDir reads from disk is what
// Default reads from the binary.
func TestLoad_embeddedFilesFromADirectory(t *testing.T) {
	tab, err := LoadDir(filepath.Join("data", "toocs31"))
	require.NoError(t, err)
	for _, l := range Lists() {
		require.Equal(t, Default().Codes(l), tab.Codes(l))
	}
	require.Equal(t, Default().Edition(), tab.Edition())
}

func TestLoadDir_refusesWhatIsNotADirectory(t *testing.T) {
	_, err := LoadDir(filepath.Join(t.TempDir(), "absent"))
	require.ErrorIs(t, err, fs.ErrNotExist)
	file := filepath.Join(t.TempDir(), "mechanism.csv")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	_, err = LoadDir(file)
	require.ErrorContains(t, err, "name the directory that holds edition.csv")
}

// TestLoad_saysWhatIsWrongAndWhere replaces one text in one file and expects
// exactly one error, with file and line.
func TestLoad_saysWhatIsWrongAndWhere(t *testing.T) {
	for _, tc := range []struct {
		name, file, old, new, want string
	}{
		{"duplicate", "mechanism.csv", "01,0,2,", "0,,1,Twice,x,official\n01,0,2,", "toocs: mechanism.csv:3: code 0 is already on line 2"},
		{"lost zero", "mechanism.csv", "01,0,2,", "1,0,2,", "mechanism.csv:3: code 1 has level \"2\", but a code written like this has level 1"},
		{"missing parent", "agency.csv", "63,6,2,Substances,x,official\n", "", "agency.csv:3: code 636 has the parent 63, which is not in the list"},
		{"parent by digits", "bodily_location.csv", "410,41,3,", "410,4,3,", "bodily_location.csv:4: code 410 has the parent 4; by its digits it belongs under 41"},
		{"no parent", "nature.csv", "201,F1,3,", "201,,3,", "nature.csv:4: code 201 has no parent"},
		{"group with parent", "nature.csv", "F,,1,", "F,F1,1,", "nature.csv:2: code F is a group and cannot have the parent F1"},
		{"parent not above", "nature.csv", "201,F1,3,", "201,F1,3,Dislocation,x,official\n202,201,3,", "nature.csv:5: code 202 has the parent 201, which is not above it"},
		{"wrong level", "agency.csv", "636,63,3,", "636,63,4,", "agency.csv:4: code 636 has level \"4\", but a code written like this has level 3"},
		{"shape", "mechanism.csv", "01,0,2,", "0x,0,2,", "mechanism.csv:3: \"0x\" is not written like a code of the mechanism list"},
		{"empty code", "mechanism.csv", "01,0,2,", ",0,2,", "mechanism.csv:3: code is empty"},
		{"no title", "mechanism.csv", "Falls from a height", " ", "mechanism.csv:3: code 01 has no title"},
		{"confidence", "mechanism.csv", "height,x,official", "height,x,sure", "mechanism.csv:3: code 01 has confidence \"sure\""},
		{"empty heading", "mechanism.csv", "0,,1,Falls,x,official\n", "0,,1,Falls,x,official\n1,,1,Hits,x,official\n", "mechanism.csv:3: 1 is a heading at level 1, but no code stands under it"},
		{"no rows", "mechanism.csv", "0,,1,Falls,x,official\n01,0,2,Falls from a height,x,official\n", "", "mechanism.csv:1: has no codes"},
		{"column missing", "mechanism.csv", "code,parent,level,title", "code,parent,level,name", "mechanism.csv:1: column \"title\" is missing"},
		{"comma outside quotes", "mechanism.csv", "Falls from a height", "Falls, from a height", "mechanism.csv:3: has 7 columns where the heading row has 6"},
		{"quote", "mechanism.csv", "Falls from a height", "Falls \"from", "mechanism.csv:3: is not well-formed csv"},
		{"not UTF-8", "mechanism.csv", "height", "h\xe9ight", "mechanism.csv: is not UTF-8 text"},
		{"alias to nowhere", "agency_alias.csv", "6369,636", "6369,637", "agency_alias.csv:2: alias 6369 points to 637, which is not in the agency list"},
		{"alias is a code", "agency_alias.csv", "6369,636", "639,636", "agency_alias.csv:2: alias 639 is itself a code"},
		{"alias twice", "agency_alias.csv", "6369,636,x\n", "6369,636,x\n6369,639,x\n", "agency_alias.csv:3: alias 6369 is already on line 2"},
		{"alias shape", "agency_alias.csv", "6369,636", "A1,636", "agency_alias.csv:2: alias \"A1\" is not written like an agency code"},
		{"later list", "later_additions.csv", "mechanism,09", "movement,09", "later_additions.csv:2: classification \"movement\""},
		{"later parent", "later_additions.csv", "09,0,2", "09,7,2", "later_additions.csv:2: code \"09\" under \"7\" does not fit"},
		{"note", "notes.csv", "mechanism,01", "mechanism,02", "notes.csv:2: note on mechanism 02, which is not in the table"},
		{"own word to a heading", "thesaurus.csv", "mechanism,01", "mechanism,0", "thesaurus.csv:2: mechanism \"0\" is not a code that may be assigned"},
		{"own word list", "thesaurus.csv", "mechanism,01", "movement,01", "thesaurus.csv:2: list \"movement\" is not one of"},
		{"own word class", "thesaurus.csv", "plummet", "<orbit>_fall", "thesaurus.csv:2: phrase \"<orbit>_fall\" uses the class <orbit>"},
		{"own word silent", "thesaurus.csv", "plummet", "of the", "thesaurus.csv:2: phrase \"of the\" has no telling word"},
		{"edition key", "edition.csv", "edition,9.9", "edition,9.9\ncolour,blue", "edition.csv:4: unknown key \"colour\""},
		{"edition twice", "edition.csv", "edition,9.9", "edition,9.9\nedition,9.8", "edition.csv:4: key edition is given twice"},
		{"edition date", "edition.csv", "2031", "May 2031", "edition.csv:4: date \"May 2031\" is not a date"},
		{"edition missing", "edition.csv", "edition,9.9\n", "", "edition.csv:1: edition is missing"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			files := small()
			before := files[tc.file].Data
			after := bytes.Replace(before, []byte(tc.old), []byte(tc.new), 1)
			require.NotEqual(t, before, after, "the case changes nothing")
			files[tc.file] = &fstest.MapFile{Data: after}
			tab, err := Load(files)
			require.Nil(t, tab)
			require.ErrorContains(t, err, tc.want)
			_, ok := errors.AsType[*DataError](err)
			require.True(t, ok)
		})
	}
}

func TestLoad_everyRequiredFileIsNamed(t *testing.T) {
	_, err := Load(fstest.MapFS{})
	for _, file := range []string{"edition.csv", "mechanism.csv", "nature.csv", "bodily_location.csv", "agency.csv"} {
		require.ErrorContains(t, err, file+": cannot be opened")
	}
}

// Excel writes a byte order mark, other column orders and extra columns.
func TestLoad_spreadsheetHabits(t *testing.T) {
	files := small()
	files["mechanism.csv"] = &fstest.MapFile{Data: []byte("\xef\xbb\xbfTitle,Code,Parent,Level,Remark,Confidence,Source\r\n" +
		"Falls,0,,1,,official,x\r\n\r\nFalls from a height, 01 ,0,2,,official,x\r\n")}
	tab, err := Load(files)
	require.NoError(t, err)
	c, ok := tab.Get(Mechanism, "01")
	require.True(t, ok)
	require.Equal(t, "Falls from a height", c.Title)
}

func TestLoad_manyProblemsAreCounted(t *testing.T) {
	files := small()
	files["mechanism.csv"] = &fstest.MapFile{Data: []byte("code,parent,level,title,source,confidence\n" + strings.Repeat("zz,,1,Bad,x,official\n", 200))}
	_, err := Load(files)
	require.ErrorContains(t, err, "and 150 more problems")
}

// FuzzLoad: whatever stands in the files, Load answers with a table or with
// errors; a table that loads holds only codes that resolve to themselves or
// are headings.
func FuzzLoad(f *testing.F) {
	f.Add("mechanism.csv", small()["mechanism.csv"].Data)
	f.Add("nature.csv", small()["nature.csv"].Data)
	f.Add("thesaurus.csv", []byte("list,code,phrases\nmechanism,01,<number>_#length;a_b_c\n"))
	f.Add("edition.csv", []byte("key,value\ndate,"))
	f.Fuzz(func(t *testing.T, file string, data []byte) {
		files := maps.Clone(small())
		if _, ok := files[file]; !ok {
			file = "agency.csv"
		}
		files[file] = &fstest.MapFile{Data: data}
		tab, err := Load(files)
		if err != nil {
			return
		}
		for _, fc := range Facets() {
			for _, c := range tab.Codes(fc.List()) {
				got, err := tab.Resolve(fc, c.Code)
				if tab.Assignable(fc, c.Code) && (err != nil || got != c) {
					t.Fatalf("%s %s = %v, %v", fc, c.Code, got, err)
				}
			}
		}
	})
}
