package server_test

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	_ "google.golang.org/grpc/encoding/gzip" // so that the client can send it
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// TestBombs: a body that unpacks to far more than a message may have is refused
// at every door, and soon.
func TestBombs(t *testing.T) {
	t.Parallel()
	s := servertest.Start(t, servertest.Options{})
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	for range 256 {
		_, err := z.Write(make([]byte, 1<<20))
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	require.Less(t, packed.Len(), 1<<20)
	for _, path := range []string{"/v1/signIn:password", "/fairlead.v1.SignInService/SignInWithPassword"} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://"+s.Web+path, bytes.NewReader(packed.Bytes()))
		require.NoError(t, err)
		req.Header.Set("Content-Type", "application/json")
		req.Header.Set("Content-Encoding", "gzip")
		resp, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		_, _ = io.Copy(io.Discard, resp.Body)
		_ = resp.Body.Close()
		require.GreaterOrEqual(t, resp.StatusCode, 400, path)
		require.Less(t, resp.StatusCode, 500, path)
	}
	conn, err := grpc.NewClient("passthrough:///"+s.GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	defer conn.Close()
	_, err = pb.NewSignInServiceClient(conn).SignInWithPassword(t.Context(), &pb.SignInWithPasswordRequest{
		SignInName: "fern", Password: strings.Repeat("a", 200<<20)}, grpc.UseCompressor("gzip"))
	require.Contains(t, []codes.Code{codes.ResourceExhausted, codes.InvalidArgument, codes.Unimplemented}, status.Code(err), "%v", err)
}

// TestLongHeaders: headers are bounded at both doors.
func TestLongHeaders(t *testing.T) {
	t.Parallel()
	s := servertest.Start(t, servertest.Options{})
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+s.Web+"/v1/myself", nil)
	require.NoError(t, err)
	req.Header.Set("Authorization", "Bearer "+strings.Repeat("a", 64<<10))
	resp, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	_ = resp.Body.Close()
	require.Equal(t, http.StatusRequestHeaderFieldsTooLarge, resp.StatusCode)
	_, err = pb.NewAccessServiceClient(s.Conn()).GetMyself(header(t.Context(), "Bearer "+strings.Repeat("a", 64<<10)), &pb.GetMyselfRequest{})
	require.Error(t, err)
	_, err = pb.NewAccessServiceClient(s.Conn()).GetMyself(s.As("adviser"), &pb.GetMyselfRequest{})
	require.NoError(t, err, "others go on")
}

// TestSmuggled: requests that two servers could read in two ways are read in
// none.
func TestSmuggled(t *testing.T) {
	t.Parallel()
	s := servertest.Start(t, servertest.Options{})
	for _, raw := range []string{
		"POST /v1/signIn:password HTTP/1.1\r\nHost: x\r\nContent-Length: 4\r\nContent-Length: 5\r\n\r\nabcd",
		"POST /v1/signIn:password HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked, identity\r\n\r\n0\r\n\r\n",
		"GET /v1/myself HTTP/1.1\r\nHost: x\r\nHost: y\r\n\r\n",
		"GET /v1/myself HTTP/1.1\r\nHost: x\r\nX: a\x00b\r\n\r\n",
		"GET /v1/\x01 HTTP/1.1\r\nHost: x\r\n\r\n",
	} {
		conn, err := net.DialTimeout("tcp", s.Web, 5*time.Second)
		require.NoError(t, err)
		_, err = fmt.Fprint(conn, raw)
		require.NoError(t, err)
		require.NoError(t, conn.SetReadDeadline(time.Now().Add(5*time.Second)))
		resp, err := http.ReadResponse(bufio.NewReader(conn), nil)
		require.NoError(t, err, "%q", raw)
		require.Contains(t, []int{http.StatusBadRequest, http.StatusNotImplemented}, resp.StatusCode, "%q", raw)
		_ = conn.Close()
	}
}
