package importer_test

import (
	"compress/gzip"
	"encoding/csv"
	"io"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// source reads a table with the standard library, as an independent witness.
func source(t *testing.T, path string) []map[string]string {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	var r io.Reader = f
	if strings.HasSuffix(path, ".gz") {
		r, err = gzip.NewReader(f)
		require.NoError(t, err)
	}
	rows, err := csv.NewReader(r).ReadAll()
	require.NoError(t, err)
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, h := range rows[0] {
			m[h] = row[i]
		}
		out = append(out, m)
	}
	return out
}
