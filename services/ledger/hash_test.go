package ledger

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestHashChange_published compares with hashes made by twelve lines of Python
// (hashlib, struct) written from the package comment alone.
func TestHashChange_published(t *testing.T) {
	first := Change{
		Seq: 1, Time: time.Date(2026, 3, 2, 6, 30, 0, 1000, time.UTC), Actor: "people/ann", Verb: "file",
		Name: "reports/1", Kind: "Report", Revision: 1, Body: []byte("slipped on wet steps"), RequestID: "r-1",
	}
	first.BodyHash = BodyHash(first.Salt, first.Body)
	got := HashChange(first)
	require.Equal(t, "afc9af006fe79258f66e19a62f1af9dd638c173a2a1b78fa6be199abe4e40a4a", hex.EncodeToString(got[:]))
	second := Change{
		Seq: 2, Time: first.Time.Add(5 * time.Microsecond), Actor: "people/bob", Verb: "amend",
		Name: "reports/1", Kind: "Report", Revision: 2, PrevHash: got, BodyHash: BodyHash(Salt{}, nil),
	}
	got = HashChange(second)
	require.Equal(t, "b0fc7dee610ed0ace4e704cfbbe2056cbc3a4e4c51bbd1668951b5a26a65b25b", hex.EncodeToString(got[:]))
	second.Time = second.Time.In(time.FixedZone("east", 10*3600))
	second.Hash = got
	require.Equal(t, got, HashChange(second), "neither the zone nor the hash itself enters the hash")
}

// FuzzEncoding1 checks that the encoding of format 1 can be read back, so that no two
// changes share one.
func FuzzEncoding1(f *testing.F) {
	f.Add(int64(1), int64(1), "people/ann", "file", "reports/1", "Report", int64(1), []byte("body"), "r1")
	f.Add(int64(-1), int64(-1), "", "a", "ab", "", int64(0), []byte(nil), "\x00\x00")
	f.Fuzz(func(t *testing.T, seq, micros int64, actor, verb, name, kind string, revision int64, body []byte, request string) {
		c := Change{
			Seq: seq, Time: time.UnixMicro(micros), Actor: actor, Verb: verb, Name: name, Kind: kind,
			Revision: revision, Body: body, RequestID: request, PrevHash: sha256.Sum256(body),
			BodyHash: BodyHash(Salt{}, body),
		}
		b := appendChange(nil, c)
		next := func() string {
			n := binary.BigEndian.Uint64(b)
			field := string(b[8 : 8+n])
			b = b[8+n:]
			return field
		}
		number := func() int64 { return int64(binary.BigEndian.Uint64([]byte(next()))) }
		require.Equal(t, hashTag1, next())
		require.Equal(t, string(c.PrevHash[:]), next())
		require.Equal(t, seq, number())
		require.Equal(t, micros, number())
		require.Equal(t, actor, next())
		require.Equal(t, verb, next())
		require.Equal(t, name, next())
		require.Equal(t, kind, next())
		require.Equal(t, revision, number())
		want := sha256.Sum256(body)
		require.Equal(t, string(want[:]), next())
		require.Equal(t, request, next())
		require.Empty(t, b)
	})
}

// TestHashChange_format2 compares with hashes made by fifteen lines of Python
// (hashlib, struct) written from the package comment alone.
func TestHashChange_format2(t *testing.T) {
	var salt Salt
	for i := range salt {
		salt[i] = byte(i + 1)
	}
	c := Change{
		Seq: 7, Time: time.Date(2026, 3, 2, 6, 30, 0, 1000, time.UTC), Actor: "people/ann", Verb: "file",
		Name: "reports/1", Kind: "Report", Revision: 1, RequestID: "r-1", Salt: salt, PrevHash: sha256.Sum256([]byte("before")),
	}
	c.BodyHash = BodyHash(salt, []byte("slipped on wet steps"))
	got := HashChange(c)
	require.Equal(t, "5a88cb5be94e52490d2b378b1a2547cc4166e33db521b6771b71a4a7c9187869", hex.EncodeToString(got[:]))
	require.Equal(t, 2, salt.Format())
	for what, alter := range map[string]func(*Change){
		"seq": func(c *Change) { c.Seq++ }, "time": func(c *Change) { c.Time = c.Time.Add(time.Microsecond) },
		"actor": func(c *Change) { c.Actor += "x" }, "verb": func(c *Change) { c.Verb += "x" },
		"name": func(c *Change) { c.Name += "x" }, "kind": func(c *Change) { c.Kind += "x" },
		"revision": func(c *Change) { c.Revision++ }, "request": func(c *Change) { c.RequestID += "x" },
		"before": func(c *Change) { c.PrevHash[9]++ }, "salt": func(c *Change) { c.Salt[3]++ },
		"body": func(c *Change) { c.BodyHash[31]++ },
	} {
		d := c
		alter(&d)
		require.NotEqual(t, got, HashChange(d), "%s must enter", what)
	}
}

func TestSeal(t *testing.T) {
	key := NewKey()
	for _, body := range [][]byte{nil, []byte("Ada Quoll"), make([]byte, 1<<16)} {
		sealed, err := SealBody(key, "people/ada", body)
		require.NoError(t, err)
		open, err := OpenBody(key, "people/ada", sealed)
		require.NoError(t, err)
		require.Equal(t, string(body), string(open))
		again, err := SealBody(key, "people/ada", body)
		require.NoError(t, err)
		require.NotEqual(t, sealed, again, "the same body twice must not look the same")
		for what, try := range map[string]func() ([]byte, error){
			"another key":  func() ([]byte, error) { return OpenBody(NewKey(), "people/ada", sealed) },
			"another name": func() ([]byte, error) { return OpenBody(key, "people/bob", sealed) },
			"a short key":  func() ([]byte, error) { return OpenBody(key[:9], "people/ada", sealed) },
			"cut":          func() ([]byte, error) { return OpenBody(key, "people/ada", sealed[:5]) },
			"a flipped bit": func() ([]byte, error) {
				bad := append([]byte(nil), sealed...)
				bad[len(bad)-1] ^= 1
				return OpenBody(key, "people/ada", bad)
			},
		} {
			_, err := try()
			require.Error(t, err, what)
			require.NotContains(t, err.Error(), "Quoll")
		}
	}
}
