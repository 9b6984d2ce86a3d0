package signin_test

import (
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/stretchr/testify/require"
	"golang.org/x/oauth2"
	"google.golang.org/grpc/codes"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/signin"
)

// provider is an OpenID Connect provider that does the code flow as the
// standard has it: codes are good once, for one client, one address to come back
// to and one PKCE verifier.
type provider struct {
	*httptest.Server
	key *rsa.PrivateKey

	mu    sync.Mutex
	codes map[string]url.Values
	n     int
	// spoil changes what the next token says, for attacks.
	spoil func(claims map[string]any)
	// sign is the key that the next token is signed with.
	sign *rsa.PrivateKey
}

const clientID, clientSecret = "fairlead", "a secret of the client"

func newProvider(t *testing.T) (*provider, *signin.Provider) {
	t.Helper()
	p := &provider{codes: map[string]url.Values{}}
	var err error
	p.key, err = rsa.GenerateKey(rand.Reader, 2048)
	require.NoError(t, err)
	p.sign = p.key
	mux := http.NewServeMux()
	p.Server = httptest.NewServer(mux)
	t.Cleanup(p.Close)
	say := func(w http.ResponseWriter, v any) {
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(v)
	}
	mux.HandleFunc("GET /.well-known/openid-configuration", func(w http.ResponseWriter, _ *http.Request) {
		say(w, map[string]any{"issuer": p.URL, "authorization_endpoint": p.URL + "/authorize", "token_endpoint": p.URL + "/token",
			"jwks_uri": p.URL + "/keys", "id_token_signing_alg_values_supported": []string{"RS256"}})
	})
	mux.HandleFunc("GET /keys", func(w http.ResponseWriter, _ *http.Request) {
		say(w, jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: p.key.Public(), KeyID: "one", Algorithm: "RS256", Use: "sig"}}})
	})
	mux.HandleFunc("POST /token", func(w http.ResponseWriter, r *http.Request) {
		p.mu.Lock()
		defer p.mu.Unlock()
		asked, ok := p.codes[r.FormValue("code")]
		delete(p.codes, r.FormValue("code"))
		id, secret, _ := r.BasicAuth()
		if !ok || id != clientID || secret != url.QueryEscape(clientSecret) || r.FormValue("redirect_uri") != asked.Get("redirect_uri") ||
			oauth2.S256ChallengeFromVerifier(r.FormValue("code_verifier")) != asked.Get("code_challenge") {
			w.WriteHeader(http.StatusBadRequest)
			say(w, map[string]string{"error": "invalid_grant"})
			return
		}
		claims := map[string]any{"iss": p.URL, "aud": clientID, "sub": asked.Get("subject"), "nonce": asked.Get("nonce"),
			"email": "fern@fairlead.example", "iat": time.Now().Unix(), "exp": time.Now().Add(time.Minute).Unix()}
		if p.spoil != nil {
			p.spoil(claims)
		}
		signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.RS256, Key: jose.JSONWebKey{Key: p.sign, KeyID: "one"}}, nil)
		if err != nil {
			panic(err)
		}
		raw, _ := json.Marshal(claims)
		signed, err := signer.Sign(raw)
		if err != nil {
			panic(err)
		}
		token, _ := signed.CompactSerialize()
		say(w, map[string]any{"access_token": "x", "token_type": "Bearer", "id_token": token})
	})
	return p, &signin.Provider{Title: "shire account", Issuer: p.URL, ClientID: clientID, Secret: clientSecret}
}

// agree is what somebody with an account does at the provider: it returns the
// state and the code that come back.
func (p *provider) agree(t *testing.T, address, subject string) (state, code string) {
	t.Helper()
	u, err := url.Parse(address)
	require.NoError(t, err)
	q := u.Query()
	require.Equal(t, p.URL, u.Scheme+"://"+u.Host)
	require.Equal(t, "S256", q.Get("code_challenge_method"))
	require.Equal(t, origin+"/sign-in/openid", q.Get("redirect_uri"))
	require.Equal(t, "openid", q.Get("scope"), "nothing is asked but who it is")
	require.NotEmpty(t, q.Get("nonce"))
	q.Set("subject", subject)
	p.mu.Lock()
	defer p.mu.Unlock()
	p.n++
	code = strings.Repeat("c", p.n)
	p.codes[code] = q
	return q.Get("state"), code
}

func (s server) toProvider(t *testing.T) *pb.OpenIDChallenge {
	t.Helper()
	c, err := s.BeginOpenID(t.Context(), &pb.BeginOpenIDRequest{})
	require.NoError(t, err)
	return c
}

// TestOpenID: an account that was linked lets in, on another server too; others
// do not, whatever their e-mail address.
func TestOpenID(t *testing.T) {
	t.Parallel()
	p, conf := newProvider(t)
	h := newHouse(t, conf)
	other := h.another(conf)
	ways, err := h.GetSignInWays(t.Context(), &pb.GetSignInWaysRequest{})
	require.NoError(t, err)
	require.Equal(t, "shire account", ways.GetOpenidTitle())
	in := func(s server, subject string) (*pb.SignedIn, error) {
		c := h.toProvider(t)
		state, code := p.agree(t, c.GetUrl(), subject)
		return s.FinishOpenID(t.Context(), &pb.FinishOpenIDRequest{Ticket: c.GetTicket(), State: state, Code: code})
	}
	secret := h.joined("fern", adviser)
	_, err = in(h.server, "subject-1")
	refused(t, err, codes.Unauthenticated)

	// Linked by the owner.
	c, err := h.BeginOpenIDLink(h.as(t, secret), &pb.BeginOpenIDLinkRequest{})
	require.NoError(t, err)
	state, code := p.agree(t, c.GetUrl(), "subject-1")
	moss := h.joined("moss", adviser)
	_, err = h.FinishOpenIDLink(h.as(t, moss), &pb.FinishOpenIDLinkRequest{Ticket: c.GetTicket(), State: state, Code: code})
	refused(t, err, codes.Unauthenticated) // begun by somebody else
	c, err = h.BeginOpenIDLink(h.as(t, secret), &pb.BeginOpenIDLinkRequest{})
	require.NoError(t, err)
	state, code = p.agree(t, c.GetUrl(), "subject-1")
	linked, err := h.FinishOpenIDLink(h.as(t, secret), &pb.FinishOpenIDLinkRequest{Ticket: c.GetTicket(), State: state, Code: code})
	require.NoError(t, err)
	require.Empty(t, linked.GetOpenidSubject())
	for _, s := range []server{h.server, other} {
		got, err := in(s, "subject-1")
		require.NoError(t, err)
		require.Equal(t, "principals/fern", got.GetPrincipal())
	}

	// By an administrator; one account is one principal's.
	_, err = h.LinkOpenID(keys(t), &pb.LinkOpenIDRequest{Principal: "principals/moss", Subject: "subject-1"})
	refused(t, err, codes.AlreadyExists)
	made, err := h.LinkOpenID(keys(t), &pb.LinkOpenIDRequest{Principal: "principals/moss", Subject: "subject-2"})
	require.NoError(t, err)
	require.Equal(t, "principals/keys", made.GetHelpedBy())
	got, err := in(h.server, "subject-2")
	require.NoError(t, err)
	require.Equal(t, "principals/moss", got.GetPrincipal())
	_, err = h.EndCredential(keys(t), &pb.EndCredentialRequest{Name: made.GetName()})
	require.NoError(t, err)
	_, err = h.reg.ByToken(got.GetSecret())
	require.Error(t, err, "whoever came in by it is out")
	_, err = in(h.server, "subject-2")
	refused(t, err, codes.Unauthenticated)

	// Whoever comes back after leaving is linked anew.
	h.leave("fern")
	_, err = in(h.server, "subject-1")
	refused(t, err, codes.Unauthenticated)
	h.join("fern-again", adviser)
	_, err = h.LinkOpenID(keys(t), &pb.LinkOpenIDRequest{Principal: "principals/fern-again", Subject: "subject-1"})
	require.NoError(t, err)
	got, err = in(h.server, "subject-1")
	require.NoError(t, err)
	require.Equal(t, "principals/fern-again", got.GetPrincipal())
}

// TestOpenIDAttacks: answers swapped, replayed, forged; a provider that is away.
func TestOpenIDAttacks(t *testing.T) {
	t.Parallel()
	p, conf := newProvider(t)
	h := newHouse(t, conf)
	h.join("fern", adviser)
	_, err := h.LinkOpenID(keys(t), &pb.LinkOpenIDRequest{Principal: "principals/fern", Subject: "subject-1"})
	require.NoError(t, err)
	finish := func(ticket, state, code string) error {
		_, err := h.FinishOpenID(t.Context(), &pb.FinishOpenIDRequest{Ticket: ticket, State: state, Code: code})
		return err
	}
	// One browser's answer in another's hands: the state does not fit, and with
	// its own state neither PKCE nor the nonce do.
	mine, theirs := h.toProvider(t), h.toProvider(t)
	state, code := p.agree(t, theirs.GetUrl(), "subject-1")
	refused(t, finish(mine.GetTicket(), state, code), codes.Unauthenticated)
	myState, _ := p.agree(t, mine.GetUrl(), "subject-1")
	refused(t, finish(mine.GetTicket(), myState, code), codes.Unauthenticated)
	refused(t, finish(theirs.GetTicket(), state, code), codes.Unauthenticated) // the provider has seen the code
	// Replayed.
	c := h.toProvider(t)
	state, code = p.agree(t, c.GetUrl(), "subject-1")
	require.NoError(t, finish(c.GetTicket(), state, code))
	_, code2 := p.agree(t, c.GetUrl(), "subject-1")
	refused(t, finish(c.GetTicket(), state, code), codes.Unauthenticated)
	refused(t, finish(c.GetTicket(), state, code2), codes.Unauthenticated)
	// Tokens that say something else.
	another, err := rsa.GenerateKey(rand.Reader, 2048)
	require.NoError(t, err)
	for what, spoil := range map[string]func(map[string]any){
		"another nonce":    func(c map[string]any) { c["nonce"] = "x" },
		"no nonce":         func(c map[string]any) { delete(c, "nonce") },
		"another audience": func(c map[string]any) { c["aud"] = "somebody else" },
		"another issuer":   func(c map[string]any) { c["iss"] = "https://evil.test" },
		"over":             func(c map[string]any) { c["exp"] = time.Now().Add(-time.Hour).Unix() },
		"nobody":           func(c map[string]any) { c["sub"] = "" },
		"another key":      nil,
	} {
		p.spoil = spoil
		if spoil == nil {
			p.sign = another
		}
		c := h.toProvider(t)
		state, code := p.agree(t, c.GetUrl(), "subject-1")
		require.Error(t, finish(c.GetTicket(), state, code), what)
		refused(t, finish(c.GetTicket(), state, code), codes.Unauthenticated)
		p.spoil, p.sign = nil, p.key
	}
	// Too late, of another kind, torn.
	secret := h.joined("moss", adviser)
	link, err := h.BeginOpenIDLink(h.as(t, secret), &pb.BeginOpenIDLinkRequest{})
	require.NoError(t, err)
	state, code = p.agree(t, link.GetUrl(), "subject-1")
	refused(t, finish(link.GetTicket(), state, code), codes.Unauthenticated)
	c = h.toProvider(t)
	state, code = p.agree(t, c.GetUrl(), "subject-1")
	h.pass(10 * time.Minute)
	refused(t, finish(c.GetTicket(), state, code), codes.Unauthenticated)
	refused(t, finish("x", state, code), codes.Unauthenticated)
	// Away.
	c = h.toProvider(t)
	state, code = p.agree(t, c.GetUrl(), "subject-1")
	p.Close()
	refused(t, finish(c.GetTicket(), state, code), codes.Unavailable)
}
