package masking_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/masking"
	"fairlead/services/record"
)

// TestMoved: each change of a name says which words it moves.
func TestMoved(t *testing.T) {
	t.Parallel()
	r := newRoom(t)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- r.covers.Run(ctx) }()
	t.Cleanup(func() { stop(); <-done })
	moved := func(of *masking.Covers, seq int64) ([]string, bool) {
		t.Helper()
		require.NoError(t, of.Wait(t.Context(), seq))
		c, err := r.ledger.Changes(t.Context(), seq-1, 1)
		require.NoError(t, err)
		words, all, err := of.Moved(t.Context(), c[0])
		require.NoError(t, err)
		return words, all
	}
	covers := func(text string) string {
		r.covers.CoverPlain(&text)
		return text
	}
	for _, c := range []struct {
		name string
		seq  int64
		want []string
	}{
		{"somebody comes", r.person("people/p2", "Moss Fableton"), []string{"moss", "fableton"}},
		{"is called otherwise", r.person("people/p2", "Moss Storybook"), []string{"fableton", "storybook"}},
		{"and stays", r.person("people/p2", "Moss Storybook"), nil},
		{"a place comes", r.put(&pb.Workplace{Name: "workplaces/bend", Title: "Moss bend"}, "workplaces/bend", record.KindWorkplace), []string{"moss", "bend"}},
		{"nothing of the kind", r.put(&pb.Report{Name: one, Narrative: "Moss"}, one, record.KindReport), nil},
	} {
		words, all := moved(r.covers, c.seq)
		require.Equal(t, c.want, words, c.name)
		require.False(t, all, c.name)
	}
	require.Equal(t, "fableton, [name]", covers("fableton, storybook"))

	// Who was erased is known to those alone who followed, and only until they
	// have told it on.
	receipt, err := r.ledger.Write(t.Context(), ledger.Request{Actor: "principals/test"}, func(ctx context.Context, tx ledger.Tx) error {
		if err := tx.Erase(ctx, "people/p2"); err != nil {
			return err
		}
		p, err := record.Put(&pb.Person{Name: "people/p2", DisplayName: "erased"}, "people/p2", record.KindPerson, record.VerbErase, ledger.Any)
		if err != nil {
			return err
		}
		_, err = tx.Put(ctx, p)
		return err
	})
	require.NoError(t, err)
	words, all := moved(r.covers, receipt.Seq)
	require.Equal(t, []string{"moss", "storybook"}, words)
	require.False(t, all)
	require.Equal(t, "storybook, erased", covers("storybook, erased"))
	_, all = moved(r.covers, receipt.Seq)
	require.True(t, all, "nobody knows any more")
	late := masking.NewCovers(r.ledger)
	require.NoError(t, late.CatchUp(t.Context()))
	_, all = moved(late, receipt.Seq)
	require.True(t, all, "who comes late never knew")
}
