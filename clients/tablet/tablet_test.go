package tablet

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
)

// handler returns the app over a connection that leads nowhere.
func handler(t *testing.T, o Options) http.Handler {
	t.Helper()
	conn, err := grpc.NewClient("passthrough:///nowhere", grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	h, err := Handler(conn, o)
	require.NoError(t, err)
	return h
}

func get(h http.Handler, path string, headers ...string) *http.Response {
	r := httptest.NewRequest(http.MethodGet, path, nil)
	for i := 0; i < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Result()
}

func TestServe(t *testing.T) {
	t.Parallel()
	h := handler(t, Options{FormToken: "x"})
	page := get(h, "/tablet/")
	require.Equal(t, http.StatusOK, page.StatusCode)
	require.Equal(t, "no-cache", page.Header.Get("Cache-Control"), "a new version must be found")
	csp := page.Header.Get("Content-Security-Policy")
	for _, want := range []string{"default-src 'none'", "script-src 'self';", "style-src 'self';", "frame-ancestors 'none'", "require-trusted-types-for 'script'"} {
		require.Contains(t, csp, want)
	}
	require.NotContains(t, csp, "unsafe")
	html, err := io.ReadAll(page.Body)
	require.NoError(t, err)
	require.NotRegexp(t, `<script>|<style|style=|onclick=|https?://`, string(html))

	any := get(h, "/tablet/somewhere/deep")
	same, err := io.ReadAll(any.Body)
	require.NoError(t, err)
	require.Equal(t, html, same, "every address of the app is the app")
	require.Equal(t, http.StatusNotFound, get(h, "/tablet/app-0000000000.js").StatusCode)

	script := regexp.MustCompile(`/tablet/app-[0-9a-f]+\.js`).FindString(string(html))
	packed := get(h, script, "Accept-Encoding", "gzip")
	require.Equal(t, "gzip", packed.Header.Get("Content-Encoding"))
	require.Equal(t, "text/javascript; charset=utf-8", packed.Header.Get("Content-Type"))
	require.Contains(t, packed.Header.Get("Cache-Control"), "immutable")
	z, err := gzip.NewReader(packed.Body)
	require.NoError(t, err)
	open, err := io.ReadAll(z)
	require.NoError(t, err)
	plain, err := io.ReadAll(get(h, script).Body)
	require.NoError(t, err)
	require.True(t, bytes.Equal(plain, open))
	require.Equal(t, http.StatusNotModified, get(h, script, "If-None-Match", get(h, script).Header.Get("ETag")).StatusCode)
}

// TestBudget holds the first load to its budget, packed as it goes out: what the
// page asks for before it can be used. Languages and the letters of other
// alphabets come when they are wanted, or with the worker.
func TestBudget(t *testing.T) {
	t.Parallel()
	files, err := bundle()
	require.NoError(t, err)
	sizes := map[string]int{}
	for name, f := range files {
		size := len(f.plain)
		if f.packed != nil {
			size = len(f.packed)
		}
		sizes["all"] += size
		switch {
		case strings.HasPrefix(name, "app-") && strings.HasSuffix(name, ".js"):
			sizes["script"] += size
		case strings.HasPrefix(name, "app-"):
			sizes["style"] += size
		case strings.Contains(name, "-latin-400-"), strings.Contains(name, "-latin-700-"):
			sizes["letters"] += size
		case name == "index.html", name == "manifest.webmanifest", name == "mark.svg":
			sizes["page"] += size
		}
	}
	first := sizes["script"] + sizes["style"] + sizes["letters"] + sizes["page"]
	require.Less(t, first, 70_000, "the budget of the first load")
	require.Less(t, sizes["all"], 250_000, "the budget of the whole app")

	// What the README says is what it weighs, to the kilobyte.
	readme, err := os.ReadFile("README.md")
	require.NoError(t, err)
	kb := func(n int) int { return (n + 500) / 1000 }
	says := fmt.Sprintf("The whole first load is %d KB packed: script %d, style %d, two weights of the typeface %d; with all six languages, the worker and the letters of other alphabets %d KB",
		kb(first), kb(sizes["script"]), kb(sizes["style"]), kb(sizes["letters"]), kb(sizes["all"]))
	require.True(t, strings.Contains(strings.Join(strings.Fields(string(readme)), " "), says), "write the new figures into the README: %s", says)
}

// TestWorkerKeepsAll holds the worker's list to the files that there are.
func TestWorkerKeepsAll(t *testing.T) {
	t.Parallel()
	files, err := bundle()
	require.NoError(t, err)
	for name := range files {
		if name == "index.html" || name == "sw.js" || strings.HasSuffix(name, ".txt") || strings.HasSuffix(name, ".md") {
			continue
		}
		require.Contains(t, string(files["sw.js"].plain), `"`+name+`"`, "is not there without a network")
	}
}

func post(h http.Handler, path, body string, headers ...string) *http.Response {
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(body))
	for i := 0; i < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Result()
}

func TestDoor(t *testing.T) {
	t.Parallel()
	now := time.Now()
	h := handler(t, Options{FormToken: "x", Clock: func() time.Time { return now }})
	closed := handler(t, Options{})
	for what, c := range map[string]struct {
		r    *http.Response
		code int
	}{
		"no protobuf":                    {post(h, "/tablet/api/sealed", "\xff\xff"), http.StatusBadRequest},
		"too long":                       {post(h, "/tablet/api/sealed", strings.Repeat("x", maxSealed+1)), http.StatusRequestEntityTooLarge},
		"the services are away":          {post(h, "/tablet/api/sealed", ""), http.StatusServiceUnavailable},
		"another site":                   {post(h, "/tablet/api/sealed", "", "Sec-Fetch-Site", "cross-site"), http.StatusForbidden},
		"the form is closed":             {post(closed, "/tablet/api/sealed", ""), http.StatusUnauthorized},
		"the form is closed: hello":      {get(closed, "/tablet/api/hello"), http.StatusUnauthorized},
		"names, when the form is closed": {get(closed, "/tablet/api/workers"), http.StatusUnauthorized},
		"a turn of no tablet":            {post(h, "/tablet/api/turn", `{}`), http.StatusForbidden},
		"a turn that is no JSON":         {post(h, "/tablet/api/turn", "{", "Authorization", "Bearer x"), http.StatusBadRequest},
		"a turn, the services are away":  {post(h, "/tablet/api/turn", "{}", "Authorization", "Bearer x"), http.StatusServiceUnavailable},
		"a receipt that is no JSON":      {post(h, "/tablet/api/receipt", "{"), http.StatusBadRequest},
		"an answer that is far too long": {post(h, "/tablet/api/answer", `{"text": "`+strings.Repeat("x", 65<<10)), http.StatusBadRequest},
	} {
		require.Equal(t, c.code, c.r.StatusCode, what)
		if what != "another site" {
			var p problem
			require.NoError(t, json.NewDecoder(c.r.Body).Decode(&p), what)
			require.NotEmpty(t, p.Message, what)
			require.Equal(t, "no-store", c.r.Header.Get("Cache-Control"))
		}
	}
}

// TestDoor_limits holds back whoever tries codes, or files more than tablets do.
func TestDoor_limits(t *testing.T) {
	t.Parallel()
	now := time.Now()
	h := handler(t, Options{FormToken: "x", Clock: func() time.Time { return now }})
	for range codesPerMinute {
		require.Equal(t, http.StatusBadRequest, post(h, "/tablet/api/receipt", "{").StatusCode)
	}
	late := post(h, "/tablet/api/enrol", "{")
	require.Equal(t, http.StatusTooManyRequests, late.StatusCode)
	require.Equal(t, "60", late.Header.Get("Retry-After"))
	require.Equal(t, http.StatusBadRequest, post(h, "/tablet/api/sealed", "\xff").StatusCode, "filing goes on")
	now = now.Add(time.Minute)
	require.Equal(t, http.StatusBadRequest, post(h, "/tablet/api/receipt", "{").StatusCode)
}

func TestSettings(t *testing.T) {
	t.Parallel()
	none, err := ReadSettings(filepath.Join(t.TempDir(), "tablet.json"))
	require.NoError(t, err)
	require.Equal(t, Settings{}, none)
	for name, c := range map[string]struct{ text, wrong string }{
		"good":              {`{"home": "workplaces/northside", "card": {"numbers": [{"who": "Supervisor", "number": "0491 570 006"}], "radio": "12", "place": "Works Lane", "latitude": -33.1, "longitude": 150.5}}`, ""},
		"no JSON":           {`{`, "mend the file"},
		"an unknown field":  {`{"phone": 1}`, "phone"},
		"a bad home":        {`{"home": "Northside"}`, "home: must be a workplace name"},
		"a bad number":      {`{"card": {"numbers": [{"who": "S", "number": "ring me"}]}}`, "card.numbers[0].number: write digits"},
		"nobody":            {`{"card": {"numbers": [{"who": " ", "number": "000"}]}}`, "card.numbers[0].who: say who answers"},
		"a plan elsewhere":  {`{"plans": {"workplaces/northside": "../secret.png"}}`, "../secret.png must be the name of a file beside"},
		"no such plan":      {`{"plans": {"workplaces/northside": "none.png"}}`, "plans: workplaces/northside"},
		"a plan of nowhere": {`{"plans": {"Northside": "none.png"}}`, "Northside must be a workplace name"},
		"no picture":        {`{"plans": {"workplaces/northside": "tablet.json"}}`, "tablet.json is no PNG, JPEG or WebP picture"},
		"half a place":      {`{"card": {"latitude": 1}}`, "card.latitude: give latitude and longitude"},
		"beyond the pole":   {`{"card": {"latitude": 91, "longitude": 0}}`, "card.latitude: must be degrees"},
	} {
		file := filepath.Join(t.TempDir(), "tablet.json")
		require.NoError(t, os.WriteFile(file, []byte(c.text), 0o600))
		_, err := ReadSettings(file)
		if c.wrong == "" {
			require.NoError(t, err, name)
			continue
		}
		require.ErrorContains(t, err, c.wrong, name)
	}
}
