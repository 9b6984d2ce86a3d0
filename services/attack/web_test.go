package attack

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
)

// get fetches an address; what cannot be fetched is what the answer says.
func (h *house) get(address string, as *http.Client) []byte {
	if as == nil {
		as = http.DefaultClient
	}
	req, err := http.NewRequestWithContext(h.t.Context(), http.MethodGet, address, nil)
	require.NoError(h.t, err)
	resp, err := as.Do(req)
	require.NoError(h.t, err)
	defer resp.Body.Close()
	got, err := io.ReadAll(resp.Body)
	require.NoError(h.t, err)
	return fmt.Append(got, resp.Header)
}

var links = regexp.MustCompile(`(?:href|src)="(/[^"#]*)"`)

// TestPagesTellNobody signs in as each role, follows every link from page to
// page, and looks through all that comes.
func TestPagesTellNobody(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for _, word := range []string{"worker", "supervisor", "representative", "adviser", "committee", "auditor", "administrator", "officer", "investigator", ""} {
		jar, err := cookiejar.New(nil)
		require.NoError(t, err)
		client := &http.Client{Jar: jar}
		base := "http://" + h.Web
		if word != "" {
			resp, err := client.PostForm(base+"/sign-in", url.Values{"token": {h.Tokens[word]}})
			require.NoError(t, err)
			require.Equal(t, http.StatusOK, resp.StatusCode, word)
			require.NoError(t, resp.Body.Close())
		}
		id := func(r string) string { return strings.TrimPrefix(r, "reports/") }
		todo := []string{"/", "/reports", "/reports?words=quillf", "/report", "/receipt", "/numbers", "/numbers/table?rows=workplace", "/numbers/changed?from=1", "/people", "/tablets", "/keep", "/me", "/setup",
			"/reports/" + id(h.confidential), "/reports/" + id(h.anonymous), "/reports/" + id(h.confidential) + "/code", "/nowhere"}
		seen := map[string]bool{}
		for len(todo) > 0 && len(seen) < 90 {
			page := strings.ReplaceAll(todo[0], "&amp;", "&")
			todo = todo[1:]
			if seen[page] || strings.HasPrefix(page, "/sign-out") {
				continue
			}
			seen[page] = true
			got := h.get(base+page, client)
			clean(t, "as "+word, page, got)
			for _, m := range links.FindAllStringSubmatch(string(got), -1) {
				todo = append(todo, m[1])
			}
		}
		require.Greater(t, len(seen), 10)
	}
	clean(t, "whoever reads the log", "the log", []byte(h.log.String()))
}

// TestPathsLeadNowhere: no address leads out of what the house serves.
func TestPathsLeadNowhere(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for _, p := range []string{"/../../../../etc/passwd", "/assets/../../access.yaml", "/assets/..%2f..%2faccess.yaml", "/assets/%2e%2e/%2e%2e/etc/passwd", "/assets//etc/passwd", "/tablet/..%5c..%5caccess.yaml",
		"/v1/reports/..%2f..%2faccess/attachments/..:read", "/v1/reports/" + strings.Repeat("..%2f", 20) + "etc%2fpasswd", "/assets/\x00", "/reports/..%2f..%2fetc/attachments/x/original"} {
		address := (&url.URL{Scheme: "http", Host: h.Web}).String() + strings.ReplaceAll(p, "\x00", "%00")
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, address, nil)
		require.NoError(t, err)
		req.Header.Set("Authorization", "Bearer "+h.Tokens["adviser"])
		resp, err := (&http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).Do(req)
		require.NoError(t, err)
		got, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		require.NotEqual(t, http.StatusInternalServerError, resp.StatusCode, p)
		require.NotContains(t, string(got), "root:", p)
		require.NotContains(t, string(got), "token_sha256", p)
	}
}

// TestBombs: what is small when it is sent and large when it is unpacked is
// refused before it is large.
func TestBombs(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	var bomb bytes.Buffer
	z := gzip.NewWriter(&bomb)
	_, err := io.CopyN(z, zeros{}, 256<<20)
	require.NoError(t, err)
	require.NoError(t, z.Close())
	require.Less(t, bomb.Len(), 1<<20)
	for _, kind := range []string{"application/json", "application/proto"} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://"+h.Web+path("SearchService.SearchReports"), bytes.NewReader(bomb.Bytes()))
		require.NoError(t, err)
		req.Header.Set("Content-Type", kind)
		req.Header.Set("Content-Encoding", "gzip")
		req.Header.Set("Connect-Protocol-Version", "1")
		req.Header.Set("Authorization", "Bearer "+h.Tokens["adviser"])
		resp, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		require.True(t, resp.StatusCode >= 400 && resp.StatusCode < 500, "%s: %d", kind, resp.StatusCode)
	}
	// A picture of a few bytes that says it is a hundred thousand dots wide.
	wide := photo("x")
	copy(wide[16:24], "\x00\x01\x86\xa0\x00\x01\x86\xa0")
	header := chunk("IHDR", string(wide[16:29]))
	wide = append(append(append([]byte{}, wide[:8]...), header...), wide[33:]...)
	stream, err := pb.NewAttachmentServiceClient(h.Conn()).AddAttachment(h.As("adviser"))
	require.NoError(t, err)
	require.NoError(t, stream.Send(&pb.AddAttachmentRequest{Chunk: wide, Header: &pb.AttachmentHeader{Report: h.confidential, AttachmentId: uuid.NewString()}}))
	_, err = stream.CloseAndRecv()
	require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) {
	clear(p)
	return len(p), nil
}
