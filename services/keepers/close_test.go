package keepers_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
)

// field returns the field that an error is about.
func field(t *testing.T, err error) string {
	t.Helper()
	require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
	for _, d := range status.Convert(err).Details() {
		if bad, ok := d.(*errdetails.BadRequest); ok {
			return bad.GetFieldViolations()[0].GetField()
		}
	}
	return ""
}

// TestClose closes a name to two keepers: each opens it alone, with the right
// passphrase only, and the copy on disk says nothing, not even how long it is.
func TestClose(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.keeper("ada", adas)
	w.keeper("ben", bens)
	name, short := w.confided("Linnet Marshwiggle"), w.file(pb.TellerMode_TELLER_MODE_CONFIDENTIAL, &pb.Teller{DisplayName: "Li"})
	lying := w.stored(name)
	require.Equal(t, []string{"keepers/ada", "keepers/ben"}, lying.GetKeepers())
	require.Len(t, lying.GetRecipients(), 2)
	require.Equal(t, "2026-06-02", lying.GetEraseDate(), "the day stays readable: the house destroys by it")
	require.Empty(t, lying.GetDisplayName()+lying.GetContact()+lying.GetPerson())
	require.Len(t, w.stored(short).GetClosed(), len(lying.GetClosed()), "the length tells nothing")
	w.nowhere("Marshwiggle", "channel 9", adas, bens, "AGE-SECRET-KEY")

	for id, passphrase := range map[string]string{"ada": adas, "ben": bens} {
		who, err := w.opens(id, passphrase, name)
		require.NoError(t, err, id)
		require.Equal(t, "Linnet Marshwiggle|channel 9|people/p-1", strings.Join([]string{who.GetDisplayName(), who.GetContact(), who.GetPerson()}, "|"))
		require.Empty(t, who.GetClosed())
		require.Empty(t, who.GetRecipients())
	}
	_, err := w.opens("ada", "", name)
	require.Equal(t, "passphrase", field(t, err))
	_, err = w.opens("ada", bens, name)
	require.Equal(t, "passphrase", field(t, err))
	_, err = w.opens("cleo", adas, name)
	require.Equal(t, codes.PermissionDenied, status.Code(err), "nobody's passphrase helps whoever is no keeper")

	// What is told openly is not closed, nor is a name while nobody keeps any.
	require.Empty(t, w.stored(w.file(pb.TellerMode_TELLER_MODE_NAMED, &pb.Teller{DisplayName: "Fern Placeholder"})).GetClosed())
	require.Equal(t, "Fern", newWorld(t).mustClose(&pb.Teller{DisplayName: "Fern"}).GetDisplayName())
}

func (w *world) mustClose(t *pb.Teller) *pb.Teller {
	w.t.Helper()
	out, err := w.Close(w.t.Context(), t)
	require.NoError(w.t, err)
	return out
}

// TestGuessing slows down whoever guesses, and lets in who waits.
func TestGuessing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.keeper("ada", adas)
	name := w.confided("Linnet Marshwiggle")
	slowed := func() bool {
		for range 10 {
			if _, err := w.opens("ada", "a guess of some length", name); status.Code(err) == codes.ResourceExhausted {
				return true
			}
		}
		return false
	}
	require.True(t, slowed())
	_, err := w.opens("ada", adas, name)
	require.Equal(t, codes.ResourceExhausted, status.Code(err), "the right one waits too, or waiting would tell")
	w.now = w.now.AddDate(0, 0, 1)
	_, err = w.opens("ada", adas, name)
	require.NoError(t, err)
}

// TestChangePassphrase changes the passphrase: the old one opens nothing any
// more, what was closed before opens with the new one, and the key as it lay
// under the old one is gone from the ledger.
func TestChangePassphrase(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.keeper("ada", adas)
	name := w.confided("Linnet Marshwiggle")
	change := func(old, new string) error {
		_, err := w.ChangePassphrase(w.adviser("ada"), &pb.ChangePassphraseRequest{OldPassphrase: old, NewPassphrase: new})
		return err
	}
	require.Equal(t, "old_passphrase", field(t, change(bens, bens)))
	require.Equal(t, "new_passphrase", field(t, change(adas, "short")))
	require.NoError(t, change(adas, bens))
	_, err := w.opens("ada", adas, name)
	require.Equal(t, "passphrase", field(t, err))
	who, err := w.opens("ada", bens, name)
	require.NoError(t, err)
	require.Equal(t, "Linnet Marshwiggle", who.GetDisplayName())
	history, err := w.l.History(t.Context(), "keepers/ada")
	require.NoError(t, err)
	for _, c := range history[:len(history)-1] {
		require.True(t, c.Erased, "%s", c.Verb)
	}
	_, err = w.ChangePassphrase(w.adviser("ben"), &pb.ChangePassphraseRequest{OldPassphrase: adas, NewPassphrase: bens})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	w.sound()
}

// TestEnded: an ended keeper opens nothing, neither with the old passphrase nor
// when they are named again with a new key, until another keeper shares.
func TestEnded(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.keeper("ada", adas)
	w.keeper("ben", bens)
	name := w.confided("Linnet Marshwiggle")
	w.end("ada")
	_, err := w.opens("ada", adas, name)
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	w.keeper("ada", adas)
	_, err = w.opens("ada", adas, name)
	require.Equal(t, codes.FailedPrecondition, status.Code(err), "%v", err)
	require.Contains(t, err.Error(), "earlier key")
	_, err = w.ShareClosedNames(w.adviser("ben"), &pb.ShareClosedNamesRequest{Passphrase: bens})
	require.NoError(t, err)
	who, err := w.opens("ada", adas, name)
	require.NoError(t, err)
	require.Equal(t, "Linnet Marshwiggle", who.GetDisplayName())
}
