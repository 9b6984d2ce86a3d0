package keepers_test

import (
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/record"
)

// lines are what the list says of closed names.
func (w *world) lines() (out []string) {
	w.t.Helper()
	l, err := w.ListKeepers(w.as("root", pb.Role_ROLE_ADMINISTRATOR), &pb.ListKeepersRequest{})
	require.NoError(w.t, err)
	for _, c := range l.GetClosed() {
		out = append(out, fmt.Sprintf("%v %v %s", c.GetKeepers(), c.GetUnshared(), c.GetWords()))
	}
	if l.GetOpenNames() > 0 {
		out = append(out, fmt.Sprint(l.GetOpenNames(), " open"))
	}
	return out
}

func (w *world) share(id, passphrase string) (*pb.ShareClosedNamesResponse, error) {
	return w.ShareClosedNames(w.adviser(id), &pb.ShareClosedNamesRequest{Passphrase: passphrase})
}

// TestShareClosedNames: names from before a second keeper are shared by the
// first, and the list says at each moment who can open how many.
func TestShareClosedNames(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.confided("Linnet Marshwiggle")
	require.Equal(t, []string{"1 open"}, w.lines())
	w.keeper("ada", adas)
	_, err := w.CloseOpenNames(t.Context())
	require.NoError(t, err)
	require.Equal(t, []string{"[keepers/ada] false 1 name is closed to one person only: if they forget the passphrase, the name is lost."}, w.lines())
	name := w.confided("Sedge Marshwiggle")
	w.keeper("ben", bens)
	both := w.confided("Reed Marshwiggle")
	require.Equal(t, []string{
		"[keepers/ada] true 2 names are closed to one person only: if they forget the passphrase, the names are lost.",
		"[keepers/ada keepers/ben] false 1 name is closed to 2 keepers: each can open them alone.",
	}, w.lines())
	_, err = w.opens("ben", bens, name)
	require.Equal(t, codes.PermissionDenied, status.Code(err))

	// Whoever cannot open them shares nothing, and loses nothing.
	out, err := w.share("ben", bens)
	require.NoError(t, err)
	require.Equal(t, "0 2", fmt.Sprint(out.GetShared(), " ", out.GetBeyond()))
	_, err = w.share("ada", bens)
	require.Equal(t, "passphrase", field(t, err))
	_, err = w.share("cleo", bens)
	require.Equal(t, codes.PermissionDenied, status.Code(err))

	out, err = w.share("ada", adas)
	require.NoError(t, err)
	require.Equal(t, "2 0 0", fmt.Sprint(out.GetShared(), " ", out.GetLeft(), " ", out.GetBeyond()))
	require.Equal(t, []string{"[keepers/ada keepers/ben] false 3 names are closed to 2 keepers: each can open them alone."}, w.lines())
	for id, passphrase := range map[string]string{"ada": adas, "ben": bens} {
		who, err := w.opens(id, passphrase, name)
		require.NoError(t, err)
		require.Equal(t, "Sedge Marshwiggle|channel 9|2026-06-02", who.GetDisplayName()+"|"+who.GetContact()+"|"+who.GetEraseDate())
	}
	w.nowhere("Marshwiggle")
	history, err := w.l.History(t.Context(), name)
	require.NoError(t, err)
	last := history[len(history)-1]
	require.Equal(t, "principals/ada "+record.VerbShare, last.Actor+" "+last.Verb, "the log says who did it")
	require.True(t, history[0].Erased)
	history, err = w.l.History(t.Context(), both)
	require.NoError(t, err)
	require.Len(t, history, 1, "what was shared already is left alone")

	// An ended keeper is left out of what is kept from then on.
	w.end("ada")
	require.Equal(t, []string{"[keepers/ben] true 3 names are closed to one person only: if they forget the passphrase, the names are lost."}, w.lines())
	out, err = w.share("ben", bens)
	require.NoError(t, err)
	require.EqualValues(t, 3, out.GetShared())
	require.Equal(t, []string{"keepers/ben"}, w.stored(both).GetKeepers())
	w.end("ben")
	require.Equal(t, []string{"[] false 3 names are closed to nobody who is still a keeper, and cannot be opened any more."}, w.lines())
	w.sound()
}

// TestShareClosedNames_crash loses the ledger half way: what was shared is, the
// keeper does it again for the rest, and no name is lost.
func TestShareClosedNames_crash(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.keeper("ada", adas)
	var all []string
	for n := range 120 {
		all = append(all, w.confided(fmt.Sprintf("Linnet Marshwiggle the %dth", n)))
	}
	w.keeper("ben", bens)
	_, err := w.over(&cut{Store: w.l, left: 1}).ShareClosedNames(w.adviser("ada"), &pb.ShareClosedNamesRequest{Passphrase: adas})
	require.Error(t, err)
	w.open()
	shared := 0
	for _, name := range all {
		if slices.Contains(w.stored(name).GetKeepers(), "keepers/ben") {
			shared++
		}
	}
	require.Equal(t, 50, shared)
	out, err := w.share("ada", adas)
	require.NoError(t, err)
	require.EqualValues(t, 70, out.GetShared())
	for _, n := range []int{0, 60, 119} {
		who, err := w.opens("ben", bens, all[n])
		require.NoError(t, err)
		require.Equal(t, fmt.Sprintf("Linnet Marshwiggle the %dth", n), who.GetDisplayName())
	}
	w.sound()
}

// TestListKeepers tells of the keepers whoever oversees them or is one, and
// nobody else anything.
func TestListKeepers(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.keeper("ada", adas)
	w.confided("Linnet Marshwiggle")
	for _, c := range []struct {
		id   string
		role pb.Role
		told bool
	}{
		{"ada", pb.Role_ROLE_SUPERVISOR, true}, {"ben", pb.Role_ROLE_SUPERVISOR, false}, {"ben", pb.Role_ROLE_INVESTIGATOR, false},
		{"ben", pb.Role_ROLE_ADVISER, true}, {"ben", pb.Role_ROLE_AUDITOR, true}, {"ben", pb.Role_ROLE_ADMINISTRATOR, true},
	} {
		l, err := w.ListKeepers(w.as(c.id, c.role), &pb.ListKeepersRequest{})
		require.NoError(t, err)
		require.Equal(t, c.told, len(l.GetKeepers()) == 1 && len(l.GetClosed()) == 1 && l.GetAdvice() != "", "%s %v", c.id, c.role)
		require.Equal(t, !c.told, len(l.GetKeepers()) == 0 && len(l.GetClosed()) == 0 && l.GetAdvice() == "")
		for _, k := range l.GetKeepers() {
			require.Empty(t, k.GetClosedIdentity(), "nobody tries a passphrase at home")
		}
	}
}
