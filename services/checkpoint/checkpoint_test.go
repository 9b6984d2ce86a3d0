package checkpoint

import (
	"crypto/ed25519"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func sample(t testing.TB) (*Key, Signed) {
	t.Helper()
	k := &Key{ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize))}
	s, err := k.Sign(Checkpoint{Origin: [32]byte{1}, Seq: 42, Hash: [32]byte{2}, Time: time.Date(2026, 3, 4, 15, 6, 7, 8, time.FixedZone("", 36000))})
	require.NoError(t, err)
	return k, s
}

// TestText_published compares with a text made by openssl 3.0 from the key of
// 32 zero bytes (openssl pkeyutl -sign -rawin); Ed25519 signs the same bytes
// always the same way (RFC 8032).
func TestText_published(t *testing.T) {
	t.Parallel()
	_, s := sample(t)
	require.Equal(t, `fairlead checkpoint 1
origin 0100000000000000000000000000000000000000000000000000000000000000
sequence_number 42
head_hash 0200000000000000000000000000000000000000000000000000000000000000
time 2026-03-04T05:00:00Z
key 139e3940e64b5491722088d9a0d741628fc826e09475d341a780acde3c4b8070
signature /NnrTQLTGTsafGe6vADF8kWBpkfGLiwyZaphjj2++hwNgUuk6pOlxY9AQMB+PqeqB2VlQGqDphMlyLg+h01NCQ==
`, string(s.Text()), "only the hour, in UTC")
}

// TestEveryByteCounts flips each bit of each byte: no other text is taken for
// a checkpoint of the key.
func TestEveryByteCounts(t *testing.T) {
	t.Parallel()
	k, s := sample(t)
	text := s.Text()
	got, err := Parse(text)
	require.NoError(t, err)
	require.NoError(t, got.Verify(k.Public()))
	for i := range text {
		for bit := range 8 {
			bad := []byte(string(text))
			bad[i] ^= 1 << bit
			if got, err := Parse(bad); err == nil {
				require.Error(t, got.Verify(k.Public()), "byte %d", i)
			}
		}
	}
	other, err := NewKey()
	require.NoError(t, err)
	require.ErrorIs(t, got.Verify(other.Public()), ErrOtherKey)
	got.Key = Fingerprint(other.Public())
	require.ErrorIs(t, got.Verify(other.Public()), ErrSignature)
	_, err = k.Sign(Checkpoint{})
	require.ErrorIs(t, err, ErrEmpty)
}

func TestParse_refuses(t *testing.T) {
	t.Parallel()
	_, s := sample(t)
	text := string(s.Text())
	for what, bad := range map[string]string{
		"empty": "", "something else": "hello\n", "cut": text[:len(text)-1], "more": text + "x\n", "twice": text + text,
		"a newer format": strings.Replace(text, "checkpoint 1", "checkpoint 2", 1),
		"carriage":       strings.ReplaceAll(text, "\n", "\r\n"),
		"zero":           strings.Replace(text, "number 42", "number 0", 1),
		"leading zero":   strings.Replace(text, "number 42", "number 042", 1),
		"minutes":        strings.Replace(text, "T05:00", "T05:30", 1),
		"a zone":         strings.Replace(text, "T05:00:00Z", "T15:00:00+10:00", 1),
		"upper case":     strings.Replace(text, "key 139e", "key 139E", 1),
		"another order":  strings.Replace(text, "origin", "orogin", 1),
		"long":           text + strings.Repeat("x", MaxSize),
	} {
		_, err := Parse([]byte(bad))
		require.ErrorIs(t, err, ErrFormat, what)
	}
}

// FuzzParse wants whatever is read to write itself again.
func FuzzParse(f *testing.F) {
	_, s := sample(f)
	f.Add(s.Text())
	f.Add([]byte("fairlead checkpoint 1\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		if got, err := Parse(text); err == nil {
			require.Equal(t, string(text), string(got.Text()))
		}
	})
}

func TestKeyFiles(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	_, err := Read(dir)
	require.ErrorIs(t, err, ErrNoKey)
	k, err := Open(dir)
	require.NoError(t, err)
	again, err := Open(dir)
	require.NoError(t, err)
	require.Equal(t, k, again, "a key is made once")
	info, err := os.Stat(filepath.Join(dir, KeyFile))
	require.NoError(t, err)
	require.Equal(t, "-rw-------", fmt.Sprint(info.Mode()))
	pem, err := os.ReadFile(filepath.Join(dir, PublicFile))
	require.NoError(t, err)
	pub, err := ParsePublic(pem)
	require.NoError(t, err)
	require.Equal(t, k.Public(), pub)
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, entries, 2, "nothing half-written stays")

	require.NoError(t, os.Remove(filepath.Join(dir, PublicFile)))
	_, err = Open(dir)
	require.NoError(t, err)
	require.FileExists(t, filepath.Join(dir, PublicFile))

	secret := "MC4CAQAwBQYDK2VwBCIE"
	require.NoError(t, os.WriteFile(filepath.Join(dir, KeyFile), []byte(secret), 0o600))
	_, err = Open(dir)
	require.ErrorContains(t, err, "is not a key")
	require.NotContains(t, err.Error(), secret)
	_, err = ParsePublic([]byte("nonsense"))
	require.ErrorContains(t, err, "BEGIN PUBLIC KEY")
}
