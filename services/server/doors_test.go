package server

import (
	"context"
	"io"
	"net"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestServeHTTPEnds lets a request that is under way finish, and gives up on
// one whose sender has gone quiet.
func TestServeHTTPEnds(t *testing.T) {
	t.Parallel()
	arrived, finish := make(chan struct{}, 2), make(chan struct{})
	srv := newHTTP(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		arrived <- struct{}{}
		if r.URL.Path == "/quiet" {
			_, _ = io.Copy(io.Discard, r.Body)
			return
		}
		<-finish
		_, _ = io.WriteString(w, "done")
	}), nil)
	l, err := net.Listen("tcp", "localhost:0")
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- serveHTTP(ctx, l, srv, 300*time.Millisecond) }()

	quiet, err := net.Dial("tcp", l.Addr().String())
	require.NoError(t, err)
	defer quiet.Close()
	_, err = io.WriteString(quiet, "POST /quiet HTTP/1.1\r\nHost: x\r\nContent-Length: 100\r\n\r\nhalf")
	require.NoError(t, err)
	<-arrived
	answer := make(chan string, 1)
	go func() {
		client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
		resp, err := client.Get("http://" + l.Addr().String() + "/slow")
		if err != nil {
			answer <- err.Error()
			return
		}
		defer resp.Body.Close()
		body, _ := io.ReadAll(resp.Body)
		answer <- string(body)
	}()
	<-arrived
	stop()
	close(finish)
	require.Equal(t, "done", <-answer)
	require.NoError(t, <-ended)
	_, err = net.DialTimeout("tcp", l.Addr().String(), time.Second)
	require.Error(t, err, "the door is closed")
}
