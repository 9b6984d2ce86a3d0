package figure

import (
	"bytes"
	"fmt"
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestManySignalsStayReadable: a long series full of signals names a few of
// them, the farthest and the newest, and marks all.
func TestManySignalsStayReadable(t *testing.T) {
	t.Parallel()
	c := Control{Title: "Many", Unit: "reports a month", Center: []Level{{First: 0, Last: 119, Value: 10}}}
	for i := range 120 {
		c.Points = append(c.Points, Observation{Label: fmt.Sprintf("M%03d", i), Value: float64(20 + i%7), Count: 20, Beyond: true})
	}
	var b bytes.Buffer
	require.NoError(t, c.Layout(Wide).SVG(&b, "x"))
	// Only names beside points carry a count; the axis writes labels alone.
	var names []string
	for _, m := range regexp.MustCompile(`<text[^>]*>(M\d+): `).FindAllStringSubmatch(b.String(), -1) {
		names = append(names, m[1])
	}
	require.NotEmpty(t, names)
	require.LessOrEqual(t, len(names), mostNamed)
	require.Contains(t, names, "M119", "the newest is named")
}
