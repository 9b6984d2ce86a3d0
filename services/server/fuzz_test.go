package server_test

import (
	"context"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fairlead/services/server/servertest"
)

// FuzzGRPC feeds bytes to every method: an answer or a refusal of the house,
// whatever they are.
//
//	go test ./services/server -run '^$' -fuzz FuzzGRPC
func FuzzGRPC(f *testing.F) {
	w := newWorld(f, servertest.Options{})
	methods := contract(f)
	for i, m := range methods {
		body := wire(f, good[m.short](w))
		f.Add(uint(i), body)
		f.Add(uint(i), body[:len(body)/2])
		f.Add(uint(i), append(body[:len(body):len(body)], 0xff))
		f.Add(uint(i), []byte("\x0a\x05\xff\xfe\x01ab"))
	}
	f.Fuzz(func(t *testing.T, which uint, body []byte) {
		m := methods[which%uint(len(methods))]
		ctx, stop := context.WithTimeout(header(t.Context(), "Bearer "+w.Tokens[m.role]), 5*time.Second)
		defer stop()
		_, err := send(ctx, w.Conn(), m, body)
		if err != nil {
			refused(t, err)
		}
	})
}

// FuzzREST feeds bodies, verbs and addresses to the web door.
//
//	go test ./services/server -run '^$' -fuzz FuzzREST
func FuzzREST(f *testing.F) {
	w := newWorld(f, servertest.Options{})
	for _, m := range contract(f) {
		if verb, target, body, ok := rest(f, m, good[m.short](w)); ok {
			f.Add(verb, target, body)
			f.Add(verb, target, body[:len(body)/2])
			f.Add("PUT", strings.ToUpper(target), body)
		}
	}
	f.Add("GET", "/v1/reports/%ff%00", "")
	f.Add("POST", "/v1/reports?report.kind=x&report.kind=y", `{"report":{"answers":{"":null}}}`)
	f.Add("POST", "/v1/reports:list", `{"filter":{"codes":[null,{"facet":1e400}]}}`)
	client := &http.Client{Timeout: 10 * time.Second}
	f.Cleanup(client.CloseIdleConnections)
	f.Fuzz(func(t *testing.T, verb, target, body string) {
		if !strings.HasPrefix(target, "/v1/") {
			target = "/v1/" + target
		}
		req, err := http.NewRequestWithContext(t.Context(), verb, "http://"+w.Web+target, strings.NewReader(body))
		if err != nil || req.URL.Host != w.Web {
			return // no client could send it
		}
		req.Header.Set("Authorization", "Bearer "+w.Tokens["adviser"])
		resp, err := client.Do(req)
		if err != nil {
			return
		}
		defer resp.Body.Close()
		out, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		if resp.StatusCode < 400 || resp.Request.Method == http.MethodHead || resp.Header.Get("Content-Type") != "application/json" {
			require.NotContains(t, []int{http.StatusInternalServerError, http.StatusBadGateway}, resp.StatusCode, string(out))
			return
		}
		if resp.StatusCode != http.StatusNotImplemented {
			restRefused(t, resp.StatusCode, resp.Header, string(out))
		}
	})
}
