package keepers_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// TestLeft: what is told after a keeper left the house is not closed to their key;
// when all have left it still is, rather than to nobody.
func TestLeft(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.keeper("ada", "seven long green words")
	w.keeper("bob", "eight short blue words")
	told := func() []string {
		got, err := w.Close(t.Context(), &pb.Teller{Name: "reports/x/teller", DisplayName: "Somebody"})
		require.NoError(t, err)
		require.Empty(t, got.GetDisplayName())
		return got.GetKeepers()
	}
	require.Equal(t, []string{"keepers/ada", "keepers/bob"}, told())
	w.left["principals/bob"] = true
	require.Equal(t, []string{"keepers/ada"}, told())
	w.left["principals/ada"] = true
	require.Equal(t, []string{"keepers/ada", "keepers/bob"}, told(), "not to everybody because nobody is left")
	delete(w.left, "principals/bob")
	require.Equal(t, []string{"keepers/bob"}, told())
}
