package server

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"fairlead/services/access"
)

// FuzzAdmit comes in with any authorization header: nothing panics, nobody comes
// in who has no token, and what was sent comes back in no answer and no log.
func FuzzAdmit(f *testing.F) {
	for _, s := range []string{"", "Bearer token", "bearer token ", "Bearer", "Bearer  ", "Basic dG9rZW46", "Bearer fs_" + strings.Repeat("a", 32), "Bearer fd_x", "Bearer ft_", "Bearer fl_\x00",
		"Bearer token token", "\tBearer token", "BEARER\u00a0token", "Bearer " + strings.Repeat("x", 9000)} {
		f.Add(s, "")
	}
	f.Add("Bearer token", "Bearer token")
	f.Fuzz(func(t *testing.T, first, second string) {
		g, log := newGate(t)
		g.registry = access.NewRegistry(nil, time.Now)
		md := metadata.MD{"authorization": {first}}
		if second != "" {
			md["authorization"] = append(md["authorization"], second)
		}
		ctx, err := g.admit(metadata.NewIncomingContext(context.Background(), md), "ReportService.GetReport")
		scheme, token, _ := strings.Cut(first, " ")
		if second == "" && strings.EqualFold(scheme, "bearer") && strings.TrimSpace(token) == "token" {
			require.NoError(t, err)
			require.Equal(t, "principals/a", access.From(ctx).Name)
			return
		}
		require.Equal(t, codes.Unauthenticated, status.Code(err), "%q", first)
		require.Empty(t, access.From(ctx).Name)
		if secret := strings.TrimSpace(token); len(secret) > 12 {
			require.NotContains(t, status.Convert(err).Message()+log.String(), secret)
		}
	})
}
