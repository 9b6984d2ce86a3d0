package keepers_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/keepers"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/principals"
	"fairlead/services/record"
)

// Passphrases of the keepers of these tests.
const (
	adas = "seven quiet harbours lantern"
	bens = "orchard tin whistle tuesday"
)

var begin = time.Date(2026, 3, 4, 5, 0, 0, 0, time.UTC)

// world is the room over a real ledger on disk.
type world struct {
	t   *testing.T
	dir string
	now time.Time
	l   *sqlite.Store
	// left are those who may not come in any more.
	left map[string]bool
	*keepers.Service
}

func newWorld(t *testing.T) *world {
	t.Helper()
	w := &world{t: t, dir: filepath.Join(t.TempDir(), "data"), now: begin, left: map[string]bool{}}
	w.open()
	t.Cleanup(func() { _ = w.l.Close() }) // some tests close it themselves
	return w
}

// open opens the folder, as a server that starts does.
func (w *world) open() {
	w.t.Helper()
	l, err := sqlite.Open(w.t.Context(), w.dir, sqlite.Options{Clock: w.clock})
	require.NoError(w.t, err)
	w.l, w.Service = l, w.over(l)
}

// over is the room over a ledger.
func (w *world) over(l ledger.Ledger) *keepers.Service {
	return keepers.New(keepers.Deps{Ledger: l, Slow: principals.NewThrottle(w.clock), Principals: crew{w.left}, Clock: w.clock})
}

func (w *world) clock() time.Time { return w.now }

// crew are all who could be asked for: each is an adviser.
type crew struct{ left map[string]bool }

func (c crew) Active(name string) (access.Principal, bool) {
	return access.Principal{Name: name, Roles: []pb.Role{pb.Role_ROLE_ADVISER}}, !c.left[name]
}

// as is a call by somebody of a role.
func (w *world) as(id string, role pb.Role) context.Context {
	return access.With(w.t.Context(), access.Principal{Name: "principals/" + id, Roles: []pb.Role{role}})
}

func (w *world) adviser(id string) context.Context { return w.as(id, pb.Role_ROLE_ADVISER) }

// keeper names somebody, who chooses a passphrase.
func (w *world) keeper(id, passphrase string) {
	w.t.Helper()
	_, err := w.NameKeeper(w.as("root", pb.Role_ROLE_ADMINISTRATOR), &pb.NameKeeperRequest{Principal: "principals/" + id})
	require.NoError(w.t, err)
	_, err = w.BecomeKeeper(w.adviser(id), &pb.BecomeKeeperRequest{Passphrase: passphrase})
	require.NoError(w.t, err)
}

// end destroys somebody's key.
func (w *world) end(id string) {
	w.t.Helper()
	_, err := w.EndKeeper(w.as("root", pb.Role_ROLE_ADMINISTRATOR), &pb.EndKeeperRequest{Name: "keepers/" + id, EvenIfLast: true})
	require.NoError(w.t, err)
}

// file stores a report and who told it, closed as the room closes it.
func (w *world) file(mode pb.TellerMode, t *pb.Teller) string {
	w.t.Helper()
	report := "reports/" + uuid.NewString()
	t.Name = report + "/teller"
	if mode == pb.TellerMode_TELLER_MODE_CONFIDENTIAL {
		closed, err := w.Close(w.t.Context(), t)
		require.NoError(w.t, err)
		t = closed
	}
	w.put(&pb.Report{Name: report, TellerMode: mode}, t)
	return t.GetName()
}

func (w *world) put(r *pb.Report, t *pb.Teller) {
	w.t.Helper()
	_, err := w.l.Write(w.t.Context(), ledger.Request{Actor: "principals/in-confidence"}, func(ctx context.Context, tx ledger.Tx) error {
		p, err := record.Put(r, r.GetName(), record.KindReport, record.VerbFile, ledger.Absent)
		if err == nil {
			if _, err = tx.Put(ctx, p); err == nil {
				p, err = record.Put(t, t.GetName(), record.KindTeller, record.VerbFile, ledger.Absent)
			}
		}
		if err == nil {
			_, err = tx.Put(ctx, p)
		}
		return err
	})
	require.NoError(w.t, err)
}

// confided files somebody's name in confidence.
func (w *world) confided(name string) string {
	w.t.Helper()
	return w.file(pb.TellerMode_TELLER_MODE_CONFIDENTIAL, &pb.Teller{DisplayName: name, Contact: "channel 9", Person: "people/p-1", EraseDate: "2026-06-02"})
}

// stored is a name as it lies in the ledger.
func (w *world) stored(name string) *pb.Teller {
	w.t.Helper()
	res, err := w.l.Get(w.t.Context(), name)
	require.NoError(w.t, err)
	t := &pb.Teller{}
	require.NoError(w.t, record.Read(res.Body, res.Revision, t))
	return t
}

// opens opens a stored name as a keeper.
func (w *world) opens(id, passphrase, name string) (*pb.Teller, error) {
	return w.Open(w.adviser(id), w.stored(name), passphrase)
}

// sound checks the whole log.
func (w *world) sound() {
	w.t.Helper()
	r, err := w.l.Verify(w.t.Context())
	require.NoError(w.t, err)
	require.Empty(w.t, r.Problems)
}

// nowhere looks for words in every file of the folder, opened as whoever has a
// copy would: the keys of the ledger's own seals are in it.
func (w *world) nowhere(words ...string) {
	w.t.Helper()
	changes, err := w.l.Changes(w.t.Context(), 0, 10000)
	require.NoError(w.t, err)
	for _, c := range changes {
		for _, word := range words {
			require.NotContains(w.t, string(c.Body), word, "change %d of %s", c.Seq, c.Name)
		}
	}
	require.NoError(w.t, filepath.WalkDir(w.dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		for _, word := range words {
			require.False(w.t, bytes.Contains(b, []byte(word)), "%s in %s", word, path)
		}
		return err
	}))
}

// cut is a ledger that is gone after a few writes, as in a crash.
type cut struct {
	*sqlite.Store
	left int
}

var errCrash = errors.New("the power went")

func (c *cut) Write(ctx context.Context, r ledger.Request, fn func(context.Context, ledger.Tx) error) (ledger.Receipt, error) {
	if c.left--; c.left < 0 {
		return ledger.Receipt{}, errors.Join(errCrash, c.Store.Close())
	}
	return c.Store.Write(ctx, r, fn)
}
