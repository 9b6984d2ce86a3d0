package desk

import (
	"crypto/rand"
	"encoding/base64"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
)

// Words that somebody looks for may be somebody else's story. They are posted,
// kept with the session, and the page that answers is at an address that holds
// only a key: no history, log or referrer learns them, and a reload, a link to
// the next page or the way back from a report finds them again.

// mostSearches is how many searches a session keeps; older ones are forgotten.
const mostSearches = 50

// kept words of one search.
type search struct{ key, words string }

// remember keeps words with a session and returns their key. The same words
// have the same key.
func (s *sessions) remember(id, words string) (string, error) {
	var raw [9]byte
	if _, err := rand.Read(raw[:]); err != nil {
		return "", fmt.Errorf("desk: key of a search: %w", err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	v, ok := s.byID[id]
	if !ok {
		return "", nil
	}
	now := search{base64.RawURLEncoding.EncodeToString(raw[:]), words}
	if i := slices.IndexFunc(v.searches, func(o search) bool { return o.words == words }); i >= 0 {
		now = v.searches[i]
		v.searches = slices.Delete(v.searches, i, i+1)
	}
	v.searches = append(v.searches, now)
	if n := len(v.searches) - mostSearches; n > 0 {
		v.searches = slices.Delete(v.searches, 0, n)
	}
	return now.key, nil
}

// recall returns the words of a key of a session.
func (s *sessions) recall(id, key string) (string, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if v, ok := s.byID[id]; ok {
		if i := slices.IndexFunc(v.searches, func(o search) bool { return o.key == key }); i >= 0 {
			return v.searches[i].words, true
		}
	}
	return "", false
}

// forgotten is said of a search whose words are not kept any longer.
var forgotten = flaw{Field: "words", Label: "Words", At: "words",
	Words: "what you looked for is not kept after you sign out, nor for anybody else; type it again"}

// searched answers a posted search: it keeps the words and sends the browser on
// to the address with their key and the rest of the choices.
func (d *desk) searched(v *visit, page string, rest url.Values, words string) {
	rest.Del("words")
	rest.Del("search")
	if words = strings.TrimSpace(words); words != "" {
		key, err := d.sessions.remember(v.id, words)
		if err != nil {
			d.problem(v.w, v, err)
			return
		}
		rest.Set("search", key)
	}
	for name, values := range rest {
		if len(values) == 1 && values[0] == "" {
			rest.Del(name)
		}
	}
	if q := rest.Encode(); q != "" {
		page += "?" + q
	}
	http.Redirect(v.w, v.r, page, http.StatusSeeOther)
}
