package ledgertest

import (
	"context"
	"errors"
	"testing"

	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
)

// seals writes sealed and open bodies, erases, and requires that what was said
// is gone by every door while the chain still holds.
func seals(t *testing.T, factory Factory) {
	backend, clock := factory(t), new(Clock)
	l := backend.Open(t, clock.Now)
	mustWrite(t, l, as("ann"), person("ada", "Ada Quoll"))                       // 1
	mustWrite(t, l, as("ann"), person("bob", "Bob Wren"))                        // 2
	mustWrite(t, l, as("ann"), person("ada", "Ada Quoll, nursery"))              // 3
	mustWrite(t, l, as("ann"), report("a", "a branch came down", ledger.Absent)) // 4
	mustWrite(t, l, as("ann"), report("a", "a branch came down on the shed", 1)) // 5
	before, err := l.Changes(t.Context(), 0, 10)
	require.NoError(t, err)
	require.Equal(t, "Ada Quoll, nursery", string(before[2].Body), "a reader sees a sealed body open")
	require.NotEqual(t, ledger.BodyHash(before[2].Salt, before[2].Body), before[2].BodyHash, "and the chain holds it sealed")

	refused := errors.New("refused")
	_, err = l.Write(t.Context(), as("ann"), func(ctx context.Context, tx ledger.Tx) error {
		require.NoError(t, tx.Erase(ctx, "people/bob"))
		got, err := tx.Get(ctx, "people/bob")
		require.NoError(t, err)
		require.True(t, got.Erased, "a write sees its own erasure")
		return refused
	})
	require.ErrorIs(t, err, refused)
	bob, err := l.Get(t.Context(), "people/bob")
	require.NoError(t, err)
	require.Equal(t, "Bob Wren", string(bob.Body), "a refused erasure erases nothing")

	_, err = l.Write(t.Context(), as("ann"), func(ctx context.Context, tx ledger.Tx) error {
		require.ErrorIs(t, tx.Erase(ctx, "people/nobody"), ledger.ErrNotFound)
		require.NoError(t, tx.Erase(ctx, "people/ada"))
		require.NoError(t, tx.Erase(ctx, "reports/a"))
		_, err := tx.Put(ctx, person("ada", "left")) // 6
		return err
	})
	require.NoError(t, err)
	check := func() {
		t.Helper()
		after, err := l.Changes(t.Context(), 0, 10)
		require.NoError(t, err)
		require.Len(t, after, 6)
		for i, c := range after {
			gone := i == 0 || i == 2 || i == 3 || i == 4
			require.Equal(t, gone, c.Erased, "change %d", c.Seq)
			if gone {
				require.Nil(t, c.Body)
			}
			if i < 5 {
				require.Equal(t, before[i].Hash, c.Hash, "an erasure leaves the chain as it was")
			}
		}
		require.Equal(t, "left", string(after[5].Body))
		for _, seq := range []int64{1, 3, 5} {
			r, err := l.GetAt(t.Context(), "people/ada", seq)
			require.NoError(t, err)
			require.True(t, r.Erased && r.Body == nil, "as at %d", seq)
		}
		r, err := l.Get(t.Context(), "reports/a")
		require.NoError(t, err)
		require.True(t, r.Erased && r.Body == nil)
		require.Equal(t, int64(2), r.Revision)
		list, err := l.List(t.Context(), "Person", "", "", 10)
		require.NoError(t, err)
		require.Equal(t, []string{"people/ada", "people/bob"}, names(list))
		require.Equal(t, "left", string(list[0].Body))
		require.Equal(t, "Bob Wren", string(list[1].Body))
		require.Equal(t, int64(4), sound(t, l).Erased)
	}
	check()
	require.NoError(t, l.Close())
	l = backend.Open(t, clock.Now)
	defer func() { require.NoError(t, l.Close()) }()
	check()

	// Erasing again is fine, and takes what came after.
	_, err = l.Write(t.Context(), as("ann"), func(ctx context.Context, tx ledger.Tx) error {
		return errors.Join(tx.Erase(ctx, "people/ada"), tx.Erase(ctx, "people/ada"))
	})
	require.NoError(t, err)
	ada, err := l.Get(t.Context(), "people/ada")
	require.NoError(t, err)
	require.True(t, ada.Erased)
	mustWrite(t, l, as("ann"), person("ada", "Ada again"))
	sound(t, l)
}
