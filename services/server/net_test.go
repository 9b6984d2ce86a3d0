package server

import (
	"context"
	"log/slog"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
)

// TestNetted: a room that says too much is not heard by the caller, and is heard
// of by whoever looks after the server.
func TestNetted(t *testing.T) {
	t.Parallel()
	var log strings.Builder
	g := &gate{log: slog.New(slog.NewTextHandler(&log, nil)), metrics: newMetrics(func() int64 { return 0 }, nil)}
	kept := &pb.Report{Name: "reports/1", Narrative: "told", Harms: []*pb.Harm{{HarmId: "h1", Person: "people/iris-storybook", Description: "bruised shoulder"}}}
	says := func(context.Context, any) (any, error) { return kept, nil }
	as := func(r pb.Role) *pb.Report {
		ctx := access.With(t.Context(), access.Principal{Name: "principals/x", Roles: []pb.Role{r}})
		m, err := g.netted("ReportService.GetReport", says)(ctx, nil)
		require.NoError(t, err)
		return m.(*pb.Report)
	}
	require.Same(t, kept, as(pb.Role_ROLE_ADVISER))
	require.Zero(t, g.metrics.caughtAll.Load())
	require.Empty(t, log.String())

	rep := as(pb.Role_ROLE_REPRESENTATIVE)
	require.Equal(t, "told", rep.GetNarrative())
	require.Empty(t, rep.GetHarms()[0].GetPerson())
	require.Empty(t, rep.GetHarms()[0].GetDescription())
	require.EqualValues(t, 2, g.metrics.caughtAll.Load())
	require.Equal(t, "people/iris-storybook", kept.GetHarms()[0].GetPerson(), "what the room keeps is not touched")
	require.Contains(t, log.String(), "fairlead.v1.Harm.person")
	require.NotContains(t, log.String(), "iris")
	require.NotContains(t, log.String(), "shoulder")
}
