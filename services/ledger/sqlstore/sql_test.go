package sqlstore

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestListRange(t *testing.T) {
	name := rapid.StringMatching(`[!/0a~]{0,4}`)
	rapid.Check(t, func(t *rapid.T) {
		prefix, after, n := name.Draw(t, "prefix"), name.Draw(t, "after"), rapid.StringMatching(`[!/0a~]{1,5}`).Draw(t, "name")
		from, to := listRange(prefix, after)
		want := strings.HasPrefix(n, prefix) && n > after
		if got := n >= from && n < to; got != want {
			t.Fatalf("listRange(%q, %q) = [%q, %q) holds %q: %v, want %v", prefix, after, from, to, n, got, want)
		}
	})
}
