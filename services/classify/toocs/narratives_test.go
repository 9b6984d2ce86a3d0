package toocs

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/csv"
	"errors"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

// sharedData is where the public narratives lie when this checkout stands
// beside them. They are too large to copy in; the project passes without.
const sharedData = "../../../../shared/data"

// openShared opens a file of public narratives, or says that this part did
// not run.
func openShared(t *testing.T, path string) *csv.Reader {
	t.Helper()
	f, err := os.Open(filepath.Join(sharedData, path))
	if errors.Is(err, os.ErrNotExist) {
		t.Skipf("DID NOT RUN: the public narratives are not beside this checkout (%s)", path)
	}
	require.NoError(t, err)
	t.Cleanup(func() { f.Close() })
	var in io.Reader = f
	if strings.HasSuffix(path, ".gz") {
		in, err = gzip.NewReader(f)
		require.NoError(t, err)
	}
	r := csv.NewReader(in)
	r.LazyQuotes = true
	return r
}

// eachRow calls f with every record as a map by column name.
func eachRow(t *testing.T, r *csv.Reader, f func(map[string]string)) {
	t.Helper()
	head, err := r.Read()
	require.NoError(t, err)
	for {
		rec, err := r.Read()
		if err == io.EOF {
			return
		}
		require.NoError(t, err)
		m := make(map[string]string, len(head))
		for i, name := range head {
			m[name] = rec[i]
		}
		f(m)
	}
}

// tally counts how often the human's code, taken through the crosswalk, came
// first or among the first three.
type tally struct{ n, first, top, accepted int }

func (y *tally) add(got []string, want Crossing) {
	y.n++
	rank := slices.Index(got, want.To.Code)
	if rank == 0 {
		y.first++
	}
	if rank >= 0 && rank < 3 {
		y.top++
	}
	// A broad row names several codes that may all be right.
	if len(got) > 0 && slices.ContainsFunc(want.Codes(), func(c Code) bool { return c.Code == got[0] }) {
		y.accepted++
	}
}

func (y tally) log(t *testing.T, name string) {
	share := func(k int) float64 { return 100 * float64(k) / float64(max(y.n, 1)) }
	t.Logf("%-40s n %4d  top-1 %4d (%.1f %%)  top-3 %4d (%.1f %%)  top-1 or its alternatives %.1f %%",
		name, y.n, y.first, share(y.first), y.top, share(y.top), share(y.accepted))
}

// Human OIICS event codes of OSHA severe injury reports (2015 to early 2017),
// through the crosswalk, against LookUp on the narrative. About half of the
// narratives were looked at while the phrases were written; the other half was
// kept aside. The floors only catch a broken ranking.
func TestNarratives_mechanism(t *testing.T) {
	var seen, aside, copied, natures tally
	unreached := 0
	own, table := DefaultCrosswalk(), copiedTable(t)
	byMechanism := map[string]int{}
	eachRow(t, openShared(t, "osha_sir_oiics/sir_oiics_train.csv"), func(row map[string]string) {
		want, ok := own.Mechanism(row["event_code"])
		if !ok {
			unreached++ // 9999, nonclassifiable
			return
		}
		got := codesOf(Default().LookUp(MechanismFacet, row["narrative"], 3))
		if sha256.Sum256([]byte(row["record_id"]))[0]%2 == 0 {
			seen.add(got, want)
		} else {
			aside.add(got, want)
		}
		c, ok := table.Mechanism(row["event_code"])
		require.True(t, ok)
		copied.add(got, c)
		byMechanism[want.To.Code]++
		if nature, ok := own.Nature(row["nature_code"]); ok {
			natures.add(codesOf(Default().LookUp(NatureFacet, row["narrative"], 3)), nature)
		}
	})
	seen.log(t, "mechanism, narratives looked at")
	aside.log(t, "mechanism, narratives kept aside")
	copied.log(t, "mechanism, all, by the copied table alone")
	natures.log(t, "nature")
	commonest := slices.Max(slices.Collect(maps.Values(byMechanism)))
	t.Logf("not reached by the crosswalk: %d; always saying the commonest mechanism: %.1f %%",
		unreached, 100*float64(commonest)/float64(seen.n+aside.n))
	require.Greater(t, float64(aside.first)/float64(aside.n), 0.60)
	require.Greater(t, float64(aside.top)/float64(aside.n), 0.80)
}

// copiedTable returns the crosswalk as it was copied, without the rows of
// this package.
func copiedTable(t *testing.T) *Crosswalk {
	t.Helper()
	files := fstest.MapFS{}
	for _, name := range []string{"oiics_event_mechanism.csv", "oiics_event_own.csv", "oiics_nature.csv", "osha_keywords.csv"} {
		data, err := fs.ReadFile(dir("crosswalk"), name)
		require.NoError(t, err)
		if name == "oiics_event_own.csv" {
			data, _, _ = bytes.Cut(data, []byte("\n"))
		}
		files[name] = &fstest.MapFile{Data: data}
	}
	x, err := LoadCrosswalk(files, Default())
	require.NoError(t, err)
	return x
}

// How many of the 18,298 OSHA investigations of construction have, among
// their index keywords of each kind, one that the crosswalk carries.
func TestNarratives_keywordCoverage(t *testing.T) {
	type counts struct{ rows, withAny, covered, words, carried int }
	got := map[KeywordKind]*counts{PartKeyword: {}, EventKeyword: {}, NatureKeyword: {}}
	fits := map[KeywordKind]map[Fit]int{PartKeyword: {}, EventKeyword: {}, NatureKeyword: {}}
	for _, span := range []string{"1976_1993", "1994_2003", "2004_2016", "2017_2023"} {
		eachRow(t, openShared(t, "osha_investigations/investigations_"+span+"_train.csv.gz"), func(row map[string]string) {
			for kind, c := range got {
				c.rows++
				any, covered := false, false
				for word := range strings.SplitSeq(row["kw_"+string(kind)], ";") {
					if strings.TrimSpace(word) == "" {
						continue
					}
					any = true
					c.words++
					x, ok := DefaultCrosswalk().Keyword(kind, word)
					if ok && x.Fit != FitNone {
						covered = true
						c.carried++
					}
					fits[kind][x.Fit]++
				}
				if any {
					c.withAny++
				}
				if covered {
					c.covered++
				}
			}
		})
	}
	for _, kind := range []KeywordKind{PartKeyword, EventKeyword, NatureKeyword} {
		c := got[kind]
		t.Logf("%-7s of %d rows %d have a keyword (%.1f %%), %d of these are covered (%.1f %%); of %d keywords %.1f %% are carried; by fit %v",
			kind, c.rows, c.withAny, 100*float64(c.withAny)/float64(c.rows), c.covered, 100*float64(c.covered)/float64(c.withAny),
			c.words, 100*float64(c.carried)/float64(c.words), fits[kind])
		require.Greater(t, float64(c.covered)/float64(c.withAny), 0.95, kind)
	}
}
