package fileweb

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// TestSpan reads ranges as RFC 9110, 14.1.2 has them; the examples for 10,000
// bytes are its own.
func TestSpan(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		header  string
		from, n int64
		part    bool
	}{
		{"", 0, 10000, false},
		{"bytes=0-499", 0, 500, true},
		{"bytes=500-999", 500, 500, true},
		{"bytes=-500", 9500, 500, true},
		{"bytes=9500-", 9500, 500, true},
		{"bytes=0-", 0, 10000, true},
		{"bytes=0-999999", 0, 10000, true},
		{"bytes=10000-", 0, 0, true},
		{"bytes=-0", 10000, 0, true},
		{"bytes=-20000", 0, 10000, true},
		{"bytes=5-2", 0, 10000, false},
		{"bytes=0-0,-1", 0, 10000, false},
		{"bytes=", 0, 10000, false},
		{"bytes=a-b", 0, 10000, false},
		{"bytes=99999999999999999999-", 0, 10000, false},
		{"lines=1-2", 0, 10000, false},
	} {
		from, n, part := span(c.header, 10000)
		require.Equal(t, c.part, part, c.header)
		require.Equal(t, [2]int64{c.from, c.n}, [2]int64{from, n}, c.header)
	}
}

func TestVariant(t *testing.T) {
	t.Parallel()
	for word, want := range map[string]int32{"": 1, "original": 1, "display": 2, "small": 3, "ATTACHMENT_VARIANT_SMALL": 3} {
		v, ok := Variant(word)
		require.True(t, ok, word)
		require.EqualValues(t, want, v, word)
	}
	for _, word := range []string{"large", "unspecified", "../small"} {
		_, ok := Variant(word)
		require.False(t, ok, word)
	}
}
