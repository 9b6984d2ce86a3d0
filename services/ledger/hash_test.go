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
	got := HashChange(first)
	require.Equal(t, "afc9af006fe79258f66e19a62f1af9dd638c173a2a1b78fa6be199abe4e40a4a", hex.EncodeToString(got[:]))
	second := Change{
		Seq: 2, Time: first.Time.Add(5 * time.Microsecond), Actor: "people/bob", Verb: "amend",
		Name: "reports/1", Kind: "Report", Revision: 2, PrevHash: got,
	}
	got = HashChange(second)
	require.Equal(t, "b0fc7dee610ed0ace4e704cfbbe2056cbc3a4e4c51bbd1668951b5a26a65b25b", hex.EncodeToString(got[:]))
	second.Time = second.Time.In(time.FixedZone("east", 10*3600))
	second.Hash = got
	require.Equal(t, got, HashChange(second), "neither the zone nor the hash itself enters the hash")
}

// FuzzEncoding checks that the encoding can be read back, so that no two
// changes share one.
func FuzzEncoding(f *testing.F) {
	f.Add(int64(1), int64(1), "people/ann", "file", "reports/1", "Report", int64(1), []byte("body"), "r1")
	f.Add(int64(-1), int64(-1), "", "a", "ab", "", int64(0), []byte(nil), "\x00\x00")
	f.Fuzz(func(t *testing.T, seq, micros int64, actor, verb, name, kind string, revision int64, body []byte, request string) {
		c := Change{
			Seq: seq, Time: time.UnixMicro(micros), Actor: actor, Verb: verb, Name: name, Kind: kind,
			Revision: revision, Body: body, RequestID: request, PrevHash: sha256.Sum256(body),
		}
		b := appendChange(nil, c)
		next := func() string {
			n := binary.BigEndian.Uint64(b)
			field := string(b[8 : 8+n])
			b = b[8+n:]
			return field
		}
		number := func() int64 { return int64(binary.BigEndian.Uint64([]byte(next()))) }
		require.Equal(t, hashTag, next())
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
