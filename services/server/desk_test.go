package server_test

import (
	"errors"
	"io"
	"net/http"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/server"
	"fairlead/services/server/servertest"
)

// TestDesk serves pages beside the API: they are a client like any, over a
// connection that does not leave the process, and the open report form may do
// no more than file.
func TestDesk(t *testing.T) {
	t.Parallel()
	var conn grpc.ClientConnInterface
	token := ""
	w := newWorld(t, servertest.Options{Desk: func(c grpc.ClientConnInterface, formToken string) (http.Handler, error) {
		conn, token = c, formToken
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { _, _ = io.WriteString(w, "page "+r.URL.Path) }), nil
	}})
	for _, path := range []string{"/", "/reports/x", "/fairlead", "/v1x"} {
		code, h, out := w.curl(t, "", http.MethodGet, path, "")
		require.Equal(t, http.StatusOK, code)
		require.Equal(t, "page "+path, out)
		require.Contains(t, h.Get("Content-Security-Policy"), "script-src 'self'")
		require.Contains(t, h.Get("Content-Security-Policy"), "frame-ancestors 'none'")
	}

	ctx := header(t.Context(), "Bearer "+token)
	me, err := pb.NewAccessServiceClient(conn).GetMyself(ctx, &pb.GetMyselfRequest{})
	require.NoError(t, err)
	require.Equal(t, []pb.Role{pb.Role_ROLE_WORKER}, me.GetRoles())
	// The rooms narrow these to what is the caller's own.
	own := map[string]bool{"AttachmentService.AddAttachment": true, "PrincipalService.SetPin": true, "PrincipalService.ListSessions": true, "SignInService.ListCredentials": true,
		"MyReportService.ListMyReports": true, "MyReportService.GetMyReport": true, "MyReportService.ListMyReportMessages": true,
		"MyReportService.AddMyReportMessage": true, "MyReportService.AcknowledgeMyReportMessage": true}
	for _, m := range contract(t) {
		worker, _ := access.ParseRole("worker")
		may := access.NewPolicy().Allow(access.Principal{Name: "p", Roles: []pb.Role{worker}}, m.short) == nil
		_, err := send(ctx, conn, m, wire(t, good[m.short](w)))
		if own[m.short] {
			require.Contains(t, []codes.Code{codes.PermissionDenied, codes.NotFound}, status.Code(err), "%s of somebody else", m.short)
			continue
		}
		if may {
			require.NoError(t, err, m.short)
			continue
		}
		require.Equal(t, codes.PermissionDenied, refused(t, err).code, "%s past the form", m.short)
	}
	// In process is no way around the gate.
	_, err = pb.NewChangeServiceClient(conn).GetHead(t.Context(), &pb.GetHeadRequest{})
	require.Equal(t, codes.Unauthenticated, refused(t, err).code)
}

// TestFormClosed gives the pages no token to file with.
func TestFormClosed(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	for _, closed := range []bool{true, false} {
		given := "?"
		s, err := server.Open(t.Context(), server.Config{Data: data, FormClosed: closed, Desk: func(_ grpc.ClientConnInterface, formToken string) (http.Handler, error) {
			given = formToken
			return http.NotFoundHandler(), nil
		}})
		require.NoError(t, err)
		require.Equal(t, closed, given == "")
		require.True(t, s.Directory().Empty(), "the form is nobody who signs in")
		require.NoError(t, s.Close())
	}
	require.NoFileExists(t, filepath.Join(data, "access.yaml"))

	broken := errors.New("no pages")
	_, err := server.Open(t.Context(), server.Config{Data: data, Desk: func(grpc.ClientConnInterface, string) (http.Handler, error) { return nil, broken }})
	require.ErrorIs(t, err, broken)
	s, err := server.Open(t.Context(), server.Config{Data: data})
	require.NoError(t, err, "and the folder is free again")
	require.NoError(t, s.Close())
}
