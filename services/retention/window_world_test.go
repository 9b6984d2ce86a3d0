package retention_test

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/classify"
	"fairlead/services/classify/toocs"
	"fairlead/services/facts"
	"fairlead/services/keepers"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/principals"
	"fairlead/services/record"
	"fairlead/services/retention"
	"fairlead/services/workplace"
)

const phrase = "seven quiet harbours lantern"

// house are the two rooms that a name told in confidence passes through, over a
// real ledger on disk: the keepers close it, and retention destroys it.
type house struct {
	t       *testing.T
	dir     string
	now     time.Time
	l       *sqlite.Store
	tree    *workplace.Tree
	figures *facts.Facts
	keep    *retention.Service
	*keepers.Service
}

func newHouse(t *testing.T) *house {
	t.Helper()
	h := &house{t: t, dir: filepath.Join(t.TempDir(), "data"), now: begin}
	h.open()
	t.Cleanup(func() { _ = h.l.Close() }) // a crash closes it before
	h.put(&pb.Workplace{Name: "workplaces/brindle-range", Title: "Brindle Range", TimeZone: "Australia/Sydney"}, "workplaces/brindle-range", record.KindWorkplace)
	h.put(&pb.Workplace{Name: "workplaces/northside", Title: "Northside", Parent: "workplaces/brindle-range"}, "workplaces/northside", record.KindWorkplace)
	return h
}

// open opens the folder, as a server that starts does.
func (h *house) open() {
	h.t.Helper()
	var err error
	h.l, err = sqlite.Open(h.t.Context(), h.dir, sqlite.Options{Clock: h.clock})
	require.NoError(h.t, err)
	h.tree = workplace.NewTree(h.l, h.clock)
	h.figures = facts.New(h.l, h.tree, classify.NewTables(toocs.Default()))
	h.keep = h.over(h.l)
	h.Service = keepers.New(keepers.Deps{Ledger: h.l, Slow: principals.NewThrottle(h.clock), Principals: advisers{}, Eraser: h.keep, Clock: h.clock})
}

// over is the room over a ledger.
func (h *house) over(l ledger.Ledger) *retention.Service {
	h.t.Helper()
	s, err := retention.New(retention.Deps{Ledger: l, Tree: h.tree, Facts: h.figures, Clock: h.clock, NewID: uuid.NewString})
	require.NoError(h.t, err)
	return s
}

func (h *house) clock() time.Time { return h.now }

// advisers are all who could be asked for.
type advisers struct{}

func (advisers) Active(name string) (access.Principal, bool) {
	return access.Principal{Name: name, Roles: []pb.Role{pb.Role_ROLE_ADVISER}}, true
}

func (h *house) as(id string, role pb.Role) context.Context {
	return access.With(h.t.Context(), access.Principal{Name: "principals/" + id, Roles: []pb.Role{role}})
}

// due destroys what is due, with the figures caught up, and returns how many.
func (h *house) due() int {
	h.t.Helper()
	require.NoError(h.t, h.tree.CatchUp(h.t.Context()))
	require.NoError(h.t, h.figures.CatchUp(h.t.Context()))
	n, err := h.keep.EraseDueTellers(h.t.Context())
	require.NoError(h.t, err)
	return n
}

// keeper makes somebody a keeper.
func (h *house) keeper(id string) {
	h.t.Helper()
	_, err := h.NameKeeper(h.as("root", pb.Role_ROLE_ADMINISTRATOR), &pb.NameKeeperRequest{Principal: "principals/" + id})
	require.NoError(h.t, err)
	_, err = h.BecomeKeeper(h.as(id, pb.Role_ROLE_ADVISER), &pb.BecomeKeeperRequest{Passphrase: phrase})
	require.NoError(h.t, err)
}

func (h *house) put(m proto.Message, name, kind string) {
	h.t.Helper()
	p, err := record.Put(m, name, kind, record.VerbFile, ledger.Absent)
	require.NoError(h.t, err)
	_, err = h.l.Write(h.t.Context(), ledger.Request{Actor: access.Confidential}, func(ctx context.Context, tx ledger.Tx) error {
		_, err := tx.Put(ctx, p)
		return err
	})
	require.NoError(h.t, err)
}

// told stores a report and who told it in confidence, closed as the room closes
// it, and returns the report.
func (h *house) told(t *pb.Teller) string {
	h.t.Helper()
	report := "reports/" + uuid.NewString()
	t.Name = report + "/teller"
	closed, err := h.Close(h.t.Context(), t)
	require.NoError(h.t, err)
	h.put(&pb.Report{Name: report, Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside", TellerMode: pb.TellerMode_TELLER_MODE_CONFIDENTIAL}, report, record.KindReport)
	h.put(closed, t.GetName(), record.KindTeller)
	return report
}

// hold puts something under a legal hold.
func (h *house) hold(hold *pb.LegalHold) *pb.LegalHold {
	h.t.Helper()
	hold.Reason, hold.AskedBy = "a claim", "the insurer"
	out, err := h.keep.PlaceLegalHold(h.as("ada", pb.Role_ROLE_ADVISER), &pb.PlaceLegalHoldRequest{LegalHold: hold})
	require.NoError(h.t, err)
	return out.GetLegalHold()
}

// stored is who told a report, as it lies in the ledger.
func (h *house) stored(report string) *pb.Teller {
	h.t.Helper()
	res, err := h.l.Get(h.t.Context(), report+"/teller")
	require.NoError(h.t, err)
	t := &pb.Teller{}
	require.NoError(h.t, record.Read(res.Body, res.Revision, t))
	return t
}

// opens opens who told a report as a keeper with the passphrase.
func (h *house) opens(id, report string) (*pb.Teller, error) {
	return h.Open(h.as(id, pb.Role_ROLE_ADVISER), h.stored(report), phrase)
}

// nowhere wants bytes in no version that can still be read, and in no file.
func (h *house) nowhere(what ...[]byte) {
	h.t.Helper()
	changes, err := h.l.Changes(h.t.Context(), 0, 10000)
	require.NoError(h.t, err)
	for _, b := range what {
		for _, c := range changes {
			require.False(h.t, bytes.Contains(c.Body, b), "change %d of %s", c.Seq, c.Name)
		}
		require.Empty(h.t, where(h.t, h.dir, string(b)), "%s", hex.EncodeToString(b[:min(len(b), 16)]))
	}
}

// whole wants the chain to verify.
func (h *house) whole() {
	h.t.Helper()
	r, err := h.l.Verify(h.t.Context())
	require.NoError(h.t, err)
	require.Empty(h.t, r.Problems)
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
