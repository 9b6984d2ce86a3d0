package ledger

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestSecret keys a fingerprint: nobody without the secret can make the mark, and
// two requests for the same are not seen to be the same.
func TestSecret(t *testing.T) {
	t.Parallel()
	one, two := &Secret{1}, &Secret{2}
	r := Request{Actor: "principals/ada", ID: "r1", Fingerprint: [32]byte{9}}
	other := r
	other.Fingerprint[0] = 8
	mark := one.Stored(r)
	require.Len(t, mark, markSize)
	require.Equal(t, mark, one.Mark(r.Actor, r.ID, r.Fingerprint[:]), "what lay plainly can be keyed")
	require.NotContains(t, string(mark), string(r.Fingerprint[:]))
	for what, different := range map[string][]byte{"actor": one.Mark("principals/bob", r.ID, r.Fingerprint[:]), "id": one.Mark(r.Actor, "r2", r.Fingerprint[:]),
		"content": one.Stored(other), "secret": two.Stored(r), "where a field ends": one.Mark(r.Actor+"r", "1", r.Fingerprint[:])} {
		require.NotEqual(t, mark, different, what)
	}
	var none *Secret
	for _, c := range []struct {
		what   string
		stored []byte
		by     *Secret
		r      Request
		same   bool
	}{
		{"the same", mark, one, r, true},
		{"something else", mark, one, other, false},
		{"the same, stored plainly", none.Stored(r), one, r, true},
		{"something else, stored plainly", none.Stored(r), one, other, false},
		{"without a secret", none.Stored(r), none, other, false},
		{"of another secret", mark, two, other, true},
		{"the secret is gone", mark, none, other, true},
		{"erased", nil, one, other, true},
	} {
		require.Equal(t, c.same, c.by.Same(c.stored, c.r), c.what)
	}
}

// TestOpenSecret makes a secret once, for its owner's eyes, and refuses a broken
// one in place of making another.
func TestOpenSecret(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "sealing")
	first, err := OpenSecret(dir)
	require.NoError(t, err)
	again, err := OpenSecret(dir)
	require.NoError(t, err)
	require.Equal(t, first, again)
	elsewhere, err := OpenSecret(t.TempDir())
	require.NoError(t, err)
	require.NotEqual(t, first, elsewhere)
	info, err := os.Stat(filepath.Join(dir, SecretFile))
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, left, 1)
	for _, bad := range []string{"", "short", "zz" + string(make([]byte, 62))} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, SecretFile), []byte(bad), 0o600))
		_, err = OpenSecret(dir)
		require.ErrorContains(t, err, "put it back from a backup")
	}
}
