package ledgertest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
)

// verify tampers in every known way, one at a time, and requires that the
// verification names the place.
func verify(t *testing.T, factory Factory) {
	cases := []struct {
		damage Damage
		// at is a change, name a resource, one of which some problem must
		// point to.
		at   int64
		name string
	}{
		{Damage{How: AlterBody, Seq: 3}, 3, ""},
		{Damage{How: AlterBody, Seq: 6}, 6, ""},
		{Damage{How: AlterActor, Seq: 3}, 3, ""},
		{Damage{How: AlterVerb, Seq: 1}, 1, ""},
		{Damage{How: AlterTime, Seq: 4}, 4, ""},
		{Damage{How: AlterRequestID, Seq: 2}, 2, ""},
		{Damage{How: AlterHash, Seq: 2}, 2, ""},
		{Damage{How: RemoveChange, Seq: 3}, 4, ""},
		{Damage{How: RemoveChange, Seq: 1}, 2, ""},
		{Damage{How: CutLog, Seq: 5}, 0, "reports/b"},
		{Damage{How: CutLog, Seq: 6}, 6, ""},
		{Damage{How: AlterRevision, Name: "reports/a"}, 0, "reports/a"},
		{Damage{How: RemoveResource, Name: "reports/a"}, 0, "reports/a"},
		{Damage{How: RemoveResource, Name: "reports/c"}, 0, "reports/c"},
		{Damage{How: AddResource, Name: "reports/0"}, 0, "reports/0"},
		{Damage{How: AddResource, Name: "reports/zzz"}, 0, "reports/zzz"},
		{Damage{How: PointBack, Name: "reports/a"}, 0, "reports/a"},
		{Damage{How: ForgetRequest, Seq: 2}, 2, ""},
		{Damage{How: AlterAnswer, Seq: 2}, 2, ""},
		{Damage{How: MoveClaim, Name: "reports/b"}, 0, "reports/bx"},
		{Damage{How: AlterSalt, Seq: 3}, 3, ""},
		{Damage{How: AlterKey, Name: "people/ada"}, 0, "people/ada"},
		{Damage{How: RemoveKey, Name: "people/ada"}, 0, "people/ada"},
		{Damage{How: MoveKey, Name: "people/ada"}, 0, "people/ada"},
	}
	for _, c := range cases {
		t.Run(string(c.damage.How), func(t *testing.T) {
			backend, clock := factory(t), new(Clock)
			l := backend.Open(t, clock.Now)
			mustWrite(t, l, as("ann"), report("a", "slipped", ledger.Absent))
			mustWrite(t, l, ask("ann", "r1", "x"), report("b", "tripped", ledger.Absent))
			mustWrite(t, l, as("bob"), report("a", "slipped twice", 1))
			mustWrite(t, l, as("ann"), report("c", "fell", ledger.Absent))
			mustWrite(t, l, as("ann"), report("b", "tripped again", 1))
			mustWrite(t, l, ask("ann", "r2", "x"), report("a", "slipped thrice", 2))
			mustWrite(t, l, as("ann"), person("ada", "Ada Quoll"))
			_, err := l.Write(t.Context(), as("ann"), func(ctx context.Context, tx ledger.Tx) error { return tx.Claim(ctx, "short-code", "K7", "reports/b") })
			require.NoError(t, err)
			got := sound(t, l)
			require.Equal(t, int64(7), got.Changes)
			require.Equal(t, int64(4), got.Resources)
			require.Equal(t, head(t, l).Hash, got.HeadHash)
			require.NoError(t, l.Close())

			backend.Damage(t, c.damage)

			l = backend.Open(t, clock.Now)
			defer l.Close()
			after, err := l.Verify(t.Context())
			require.NoError(t, err)
			found := false
			for _, p := range after.Problems {
				found = found || (c.at > 0 && p.Seq == c.at) || (c.name != "" && p.Name == c.name)
				require.NotEmpty(t, p.What)
				for _, told := range []string{"slipped", "tripped", "fell", "Quoll"} {
					require.False(t, strings.Contains(p.What, told), "a problem must not hold a body: %s", p.What)
				}
			}
			require.True(t, found, "no problem points to change %d, resource %q: %+v", c.at, c.name, after.Problems)
			require.LessOrEqual(t, len(after.Problems), 5, "one damage must not be a flood: %+v", after.Problems)
		})
	}
}

// chain recomputes every hash from the encoding as the package comment of
// ledger documents it, with nothing of the ledger's own code.
func chain(t *testing.T, factory Factory) {
	l, clock := open(t, factory)
	for i := range 20 {
		clock.Add(1_234_567_890)
		mustWrite(t, l, ask("people/ann", "request-"+numbered(i), "x"),
			report(numbered(i%7), strings.Repeat("x", i*i), ledger.Any),
			ledger.Put{Name: "hours/2026-03", Kind: "Hours", Verb: "set", IfRevision: ledger.Any})
	}
	changes, err := l.Changes(t.Context(), 0, 1000)
	require.NoError(t, err)
	require.Len(t, changes, 40)
	prev := make([]byte, 32)
	for i, c := range changes {
		who := digest("fairlead who 2", c.Salt[:16], c.Time.UnixMicro(), c.Actor, c.RequestID)
		body := digest("fairlead body 2", c.Salt[16:], c.Body)
		want := digest("fairlead change 2", prev, int64(i+1), c.Verb, c.Name, c.Kind, c.Revision, who[:], body[:])
		require.Equal(t, want, c.Hash, "hash of change %d", c.Seq)
		require.Equal(t, prev, c.PrevHash[:], "previous hash of change %d", c.Seq)
		prev = want[:]
	}
	require.Equal(t, prev, append([]byte(nil), ptr(head(t, l).Hash)[:]...))
}

// digest is SHA-256 over fields, each with its length before it.
func digest(fields ...any) [32]byte {
	var message bytes.Buffer
	for _, field := range fields {
		var b []byte
		switch f := field.(type) {
		case string:
			b = []byte(f)
		case []byte:
			b = f
		case int64:
			b = make([]byte, 8)
			binary.BigEndian.PutUint64(b, uint64(f))
		}
		length := make([]byte, 8)
		binary.BigEndian.PutUint64(length, uint64(len(b)))
		message.Write(length)
		message.Write(b)
	}
	return sha256.Sum256(message.Bytes())
}

func ptr[T any](v T) *T { return &v }
