package figure_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fairlead/analytics/figure"
)

// TestPareto_inOrder: what must not be ranked keeps its order and has no running
// share, drawn and in the table.
func TestPareto_inOrder(t *testing.T) {
	t.Parallel()
	p := figure.Pareto{Title: "Workplaces", Unit: "reports", RowName: "workplace", Unknown: 2, InOrder: true,
		Bars: []figure.Bar{{Label: "Depot", Count: 5}, {Label: "Mowing crew", Count: 2}, {Label: "Tree crew", Count: 9}}}
	var names []string
	table := p.Table()
	require.Len(t, table.Headers, 2)
	for _, r := range table.Rows {
		names = append(names, r[0])
	}
	require.Equal(t, []string{"not known", "Depot", "Mowing crew", "Tree crew"}, names)
	var drawn strings.Builder
	require.NoError(t, p.Layout(figure.Wide).SVG(&drawn, "x"))
	require.NotContains(t, drawn.String(), "running share")
	p.InOrder = false
	require.Equal(t, "Tree crew", p.Table().Rows[1][0])
	require.Len(t, p.Table().Headers, 3)
}
