package webtest

import (
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/stretchr/testify/require"
	"golang.org/x/oauth2"

	"fairlead/services/signin"
)

// provider is an OpenID Connect provider on this machine, with a page on which
// somebody picks an account.
type provider struct {
	*httptest.Server
	key *rsa.PrivateKey

	mu    sync.Mutex
	codes map[string]url.Values
	n     int
	// now gives the time of the house: its clock stands elsewhere.
	now func() time.Time
	// down makes it answer nothing.
	down bool
}

func newProvider(t *testing.T) (*provider, *signin.Provider) {
	t.Helper()
	p := &provider{codes: map[string]url.Values{}, now: func() time.Time { return today }}
	var err error
	p.key, err = rsa.GenerateKey(rand.Reader, 2048)
	require.NoError(t, err)
	mux := http.NewServeMux()
	p.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		p.mu.Lock()
		defer p.mu.Unlock()
		if p.down {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		mux.ServeHTTP(w, r)
	}))
	t.Cleanup(p.Close)
	mux.HandleFunc("GET /.well-known/openid-configuration", func(w http.ResponseWriter, _ *http.Request) {
		p.say(w, map[string]any{"issuer": p.URL, "authorization_endpoint": p.URL + "/authorize", "token_endpoint": p.URL + "/token",
			"jwks_uri": p.URL + "/keys", "id_token_signing_alg_values_supported": []string{"RS256"}})
	})
	mux.HandleFunc("GET /keys", func(w http.ResponseWriter, _ *http.Request) {
		p.say(w, jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: p.key.Public(), KeyID: "one", Algorithm: "RS256", Use: "sig"}}})
	})
	mux.HandleFunc("GET /authorize", p.authorize)
	mux.HandleFunc("POST /token", p.token)
	return p, &signin.Provider{Title: "shire account", Issuer: p.URL, ClientID: "fairlead", Secret: "a secret"}
}

func (p *provider) say(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(v)
}

// authorize is the page on which an account is picked; each link leads back. One
// says no, one brings another state.
func (p *provider) authorize(w http.ResponseWriter, r *http.Request) {
	back := func(id string, answer url.Values) {
		fmt.Fprintf(w, `<p><a id="%s" href="%s">%s</a></p>`, id, html.EscapeString(r.FormValue("redirect_uri")+"?"+answer.Encode()), id)
	}
	w.Header().Set("Content-Type", "text/html")
	fmt.Fprint(w, `<!doctype html><html lang="en"><title>Pick an account</title>`)
	for _, subject := range []string{"subject-1", "subject-2"} {
		q := r.URL.Query()
		q.Set("subject", subject)
		p.n++
		code := fmt.Sprint("code", p.n)
		p.codes[code] = q
		back(subject, url.Values{"code": {code}, "state": {q.Get("state")}})
		back(subject+"-wrong-state", url.Values{"code": {code}, "state": {"of somebody else"}})
	}
	back("no", url.Values{"error": {"access_denied"}, "state": {r.FormValue("state")}})
}

func (p *provider) token(w http.ResponseWriter, r *http.Request) {
	asked, ok := p.codes[r.FormValue("code")]
	delete(p.codes, r.FormValue("code"))
	if !ok || oauth2.S256ChallengeFromVerifier(r.FormValue("code_verifier")) != asked.Get("code_challenge") {
		w.WriteHeader(http.StatusBadRequest)
		p.say(w, map[string]string{"error": "invalid_grant"})
		return
	}
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.RS256, Key: jose.JSONWebKey{Key: p.key, KeyID: "one"}}, nil)
	if err != nil {
		panic(err)
	}
	raw, _ := json.Marshal(map[string]any{"iss": p.URL, "aud": "fairlead", "sub": asked.Get("subject"), "nonce": asked.Get("nonce"),
		"iat": p.now().Unix(), "exp": p.now().Add(time.Hour).Unix()})
	signed, err := signer.Sign(raw)
	if err != nil {
		panic(err)
	}
	token, _ := signed.CompactSerialize()
	p.say(w, map[string]any{"access_token": "x", "token_type": "Bearer", "id_token": token})
}

// rests makes the provider answer nothing, or answer again.
func (p *provider) rests(down bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.down = down
}
