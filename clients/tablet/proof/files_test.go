package proof

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/stretchr/testify/require"
)

// nowhereIn requires that no file of a browser that has stopped holds one of the
// words, as one byte a letter or two. A file that cannot be read is no proof; only
// one that the browser took away while it stopped is passed over.
func nowhereIn(t *testing.T, profile string, words ...string) {
	t.Helper()
	files := 0
	require.NoError(t, filepath.WalkDir(profile, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return unlessGone(err)
		}
		if !d.Type().IsRegular() {
			return nil
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return unlessGone(err)
		}
		files++
		for _, s := range words {
			require.False(t, strings.Contains(string(data), s) || strings.Contains(string(data), sixteen(s)), "%s holds %q", path, s)
		}
		return nil
	}))
	require.Greater(t, files, 20)
}

func unlessGone(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// sixteen is how a browser keeps words with two bytes a letter.
func sixteen(s string) string {
	var out strings.Builder
	for _, u := range utf16.Encode([]rune(s)) {
		out.WriteByte(byte(u))
		out.WriteByte(byte(u >> 8))
	}
	return out.String()
}
