package sqlite

import (
	"context"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
)

// TestRekey opens a ledger whose fingerprints lie plainly with a secret: none is
// left in the file, and every replay is told as before. With another secret, or
// none, the id alone tells a replay; nothing is done twice, and nothing refused.
func TestRekey(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	const many = 1100 // three transactions
	ask := func(n int, content string) ledger.Request {
		r := ledger.Request{Actor: "people/ann", ID: fmt.Sprint("request-", n)}
		copy(r.Fingerprint[:], fmt.Sprintf("the wombat %05d %s plainly", n, content))
		return r
	}
	send := func(s *Store, r ledger.Request) (ledger.Receipt, error) {
		return s.Write(t.Context(), r, func(_ context.Context, tx ledger.Tx) error {
			tx.SetAnswer([]byte(r.ID))
			return nil
		})
	}
	s := openStore(t, dir, Options{})
	mustWrite(t, s, "reports/1", "x")
	for n := range many {
		_, err := send(s, ask(n, "a"))
		require.NoError(t, err)
	}
	require.NoError(t, s.Close())
	requireSomewhere(t, dir, "the wombat 00007")

	secret := &ledger.Secret{3}
	for round := range 2 {
		s = openStore(t, dir, Options{Secret: secret})
		for _, n := range []int{0, 499, 500, many - 1} {
			got, err := send(s, ask(n, "a"))
			require.NoError(t, err)
			require.True(t, got.Replayed)
			require.Equal(t, fmt.Sprint("request-", n), string(got.Answer))
			_, err = send(s, ask(n, "b"))
			require.ErrorIs(t, err, ledger.ErrRequestReused)
		}
		_, err := send(s, ask(many+round, "a"))
		require.NoError(t, err)
		requireSound(t, s)
		require.NoError(t, s.Close())
		requireNowhere(t, dir, "the wombat")
	}
	for _, other := range []*ledger.Secret{{4}, nil} {
		s = openStore(t, dir, Options{Secret: other})
		for _, content := range []string{"a", "b"} {
			got, err := send(s, ask(7, content))
			require.NoError(t, err)
			require.True(t, got.Replayed)
		}
		requireSound(t, s)
		require.NoError(t, s.Close())
	}
	// The secret came back, as from a backup.
	s = openStore(t, dir, Options{Secret: secret})
	_, err := send(s, ask(7, "b"))
	require.ErrorIs(t, err, ledger.ErrRequestReused)
	require.NoError(t, s.Close())
}

// TestForget: salts of bodies that were erased before salts were forgotten are
// forgotten when the ledger is brought up to date.
func TestForget(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := openStore(t, dir, Options{})
	mustWrite(t, s, "reports/1", "ada fell")
	mustWrite(t, s, "reports/2", "a branch came down")
	list, err := s.Changes(t.Context(), 0, 10)
	require.NoError(t, err)
	_, err = s.Write(t.Context(), ann, func(ctx context.Context, tx ledger.Tx) error { return tx.Erase(ctx, "reports/1") })
	require.NoError(t, err)
	// As the program before left it.
	for _, text := range []string{"DELETE FROM goose_db_version WHERE version_id > 3", "UPDATE changes SET salt = ?1 WHERE seq = 1"} {
		var args []any
		if text[0] == 'U' {
			args = []any{list[0].Salt[:]}
		}
		_, err = s.Conn().ExecContext(t.Context(), text, args...)
		require.NoError(t, err)
	}
	require.NoError(t, s.Close())
	s = openStore(t, dir, Options{})
	after, err := s.Changes(t.Context(), 0, 10)
	require.NoError(t, err)
	require.Equal(t, list[0].Salt.Forgotten(), after[0].Salt[:])
	require.Equal(t, list[1].Salt, after[1].Salt)
	requireSound(t, s)
}
