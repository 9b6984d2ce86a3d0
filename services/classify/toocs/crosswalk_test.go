package toocs

import (
	"bytes"
	"io/fs"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

func TestCrosswalk_longestPrefix(t *testing.T) {
	x := DefaultCrosswalk()
	for _, tc := range []struct {
		event, matched, to string
		alternatives       []string
		fit                Fit
	}{
		{"43", "43", "01", nil, FitExact},
		{"4332", "433", "01", []string{"02"}, FitClose},
		{"6231", "623", "21", nil, FitExact},
		{"2731", "2731", "93", []string{"92"}, FitClose}, // rollover of mobile plant
		{"2631", "2631", "92", []string{"93"}, FitClose}, // of a road vehicle
		{"1312", "1312", "63", nil, FitExact},
		{"6252", "6252", "12", []string{"11", "28"}, FitClose}, // own tool
		{"6259", "6259", "12", []string{"11", "28"}, FitBroad},
		{"562", "562", "98", []string{"61"}, FitNone}, // choking
		{"5623", "562", "98", []string{"61"}, FitNone},
		{" 6 ", "6", "28", []string{"11", "12", "21", "25", "26", "13", "27", "91"}, FitBroad},
	} {
		c, ok := x.Mechanism(tc.event)
		require.True(t, ok, tc.event)
		require.Equal(t, strings.TrimSpace(tc.event), c.From)
		require.Equal(t, tc.matched, c.Matched)
		require.Equal(t, tc.to, c.To.Code, tc.event)
		require.Equal(t, tc.fit, c.Fit, tc.event)
		require.Equal(t, "crosswalk, not reviewed", c.Mark)
		require.NotEmpty(t, c.MatchedTitle)
		var alternatives []string
		for _, a := range c.Alternatives {
			alternatives = append(alternatives, a.Code)
		}
		require.Equal(t, tc.alternatives, alternatives, tc.event)
		require.Len(t, c.Codes(), 1+len(tc.alternatives))
	}
	for _, bad := range []string{"", "9999", "0", "12345", "4x", "fall", "-4"} {
		_, ok := x.Mechanism(bad)
		require.False(t, ok, bad)
	}
}

func TestCrosswalk_nature(t *testing.T) {
	x := DefaultCrosswalk()
	for code, to := range map[string]string{
		"1311": "139", "132": "149", "143": "169", "152": "174", "1523": "174", "162": "108",
		"172": "313", "1725": "313", "193": "311", "2261": "771", "2731": "541", "6211": "702",
	} {
		c, ok := x.Nature(code)
		require.True(t, ok, code)
		require.Equal(t, to, c.To.Code, code)
		require.Equal(t, "own judgement, not reviewed", c.Provenance)
	}
	for _, bad := range []string{"1", "10", "2", "20", "9999", "cut", ""} {
		_, ok := x.Nature(bad)
		require.False(t, ok, bad)
	}
}

func TestCrosswalk_keywords(t *testing.T) {
	x := DefaultCrosswalk()
	for _, tc := range []struct {
		kind     KeywordKind
		word, to string
	}{
		{PartKeyword, "FINGER", "461"}, {PartKeyword, " finger ", "461"}, {EventKeyword, "cave-in", "91"},
		{EventKeyword, "falling  object", "21"}, {NatureKeyword, "AMPUTATION", "139"},
	} {
		c, ok := x.Keyword(tc.kind, tc.word)
		require.True(t, ok, tc.word)
		require.Equal(t, tc.to, c.To.Code)
		require.Equal(t, CrosswalkMark, c.Mark)
	}
	_, ok := x.Keyword(PartKeyword, "FALL")
	require.False(t, ok)
	_, ok = x.Keyword("colour", "RED")
	require.False(t, ok)
}

// Every row names the code it leads to by the right list, and repeats no code
// among its alternatives; the fits of the copied table are counted as they
// were when it was compiled (74, 101, 56 and 2 of 233).
func TestCrosswalk_rows(t *testing.T) {
	fits := map[string]int{}
	for _, row := range readCSV(t, "data/crosswalk/oiics_event_mechanism.csv") {
		fits[row["fit"]]++
		c, ok := Default().Get(Mechanism, row["toocs_mechanism_code"])
		require.True(t, ok, row)
		require.Equal(t, row["toocs_mechanism_title"], c.Title, "the table's own title")
	}
	require.Equal(t, map[string]int{"exact": 74, "close": 101, "broad": 56, "none": 2}, fits)

	x := DefaultCrosswalk()
	for name, rows := range map[string]map[string]Crossing{
		"event": x.events, "nature": x.natures,
		"part": x.keywords[PartKeyword], "kw event": x.keywords[EventKeyword], "kw nature": x.keywords[NatureKeyword],
	} {
		require.NotEmpty(t, rows, name)
		for from, c := range rows {
			codes := c.Codes()
			for i, code := range codes {
				require.False(t, slices.Contains(codes[:i], code), "%s %s repeats %s", name, from, code)
			}
			if c.Fit == FitExact && strings.HasPrefix(c.Provenance, "own") {
				require.Empty(t, c.Alternatives, "%s %s is exact, yet has alternatives", name, from)
			}
		}
	}
}

func TestLoadCrosswalk_saysWhatIsWrongAndWhere(t *testing.T) {
	copied := func() fstest.MapFS {
		files := fstest.MapFS{}
		for _, name := range []string{"oiics_event_mechanism.csv", "oiics_event_own.csv", "oiics_nature.csv", "osha_keywords.csv"} {
			data, err := fs.ReadFile(dir("crosswalk"), name)
			require.NoError(t, err)
			files[name] = &fstest.MapFile{Data: data}
		}
		return files
	}
	for _, tc := range []struct{ file, old, new, want string }{
		{"oiics_event_own.csv", "\n1312,Nonvenomous insect bites,63", "\n1312,Nonvenomous insect bites,6", "oiics_event_own.csv:3: leads to mechanism \"6\", which may not be assigned"},
		{"oiics_event_own.csv", "\n1312,", "\n1311,", "oiics_event_own.csv:3: code 1311 is already on line 2"},
		{"oiics_event_own.csv", "\n1312,", "\n13125,", "oiics_event_own.csv:3: \"13125\" is not an OIICS code"},
		{"oiics_nature.csv", "own judgement, not reviewed", "", "oiics_nature.csv:2: provenance is empty"},
		{"osha_keywords.csv", "part,HEAD,bodily_location", "part,HEAD,nature", "osha_keywords.csv:2: kind \"part\" does not lead to the list \"nature\""},
		{"osha_keywords.csv", "part,LEG,", "part,head,", "keyword HEAD is there twice"},
		{"osha_keywords.csv", "110 180,close", "110 180,good", "osha_keywords.csv:2: fit \"good\""},
	} {
		files := copied()
		before := files[tc.file].Data
		files[tc.file] = &fstest.MapFile{Data: bytes.Replace(before, []byte(tc.old), []byte(tc.new), 1)}
		require.NotEqual(t, before, files[tc.file].Data, tc.want)
		_, err := LoadCrosswalk(files, Default())
		require.ErrorContains(t, err, tc.want)
	}
	_, err := LoadCrosswalk(fstest.MapFS{}, Default())
	require.ErrorContains(t, err, "osha_keywords.csv: cannot be opened")
}
