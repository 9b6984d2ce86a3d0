package importer

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

// The reference names everything that a mapping may hold.
func TestReference(t *testing.T) {
	t.Parallel()
	b, err := os.ReadFile("MAPPING.md")
	require.NoError(t, err)
	var names []string
	for _, list := range [][]string{reportItems, releaseItems, harmItems, absenceItems, facetItems,
		{"fairlead_mapping", "dataset", "about", "file", "time_zone", "workplaces", "id", "title", "report", "harms",
			"codings", "attributes", "outcome", "outcome_from", "absences", "restrictions", "source_codes", "note", "edition"}} {
		names = append(names, list...)
	}
	for _, s := range crosswalkSources {
		names = append(names, s.name)
	}
	for _, n := range names {
		require.Contains(t, string(b), "`"+n+"`")
	}
	for _, w := range tokens {
		require.Contains(t, string(b), w.word)
	}
	for _, k := range sourceKeys {
		require.Contains(t, string(b), k)
	}
}
