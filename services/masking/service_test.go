package masking_test

import (
	"context"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/masking"
	"fairlead/services/record"
)

// within is a tree in which every workplace stands below the root alone.
type within struct{}

func (within) Within(workplace, ancestor string) bool {
	return workplace == ancestor || ancestor == "workplaces/root"
}

// room is a masking room on a real ledger.
type room struct {
	t      *testing.T
	ledger *sqlite.Store
	covers *masking.Covers
	*masking.Service
}

func newRoom(t *testing.T) *room {
	t.Helper()
	l, err := sqlite.Open(t.Context(), t.TempDir(), sqlite.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, l.Close()) })
	r := &room{t: t, ledger: l, covers: masking.NewCovers(l)}
	r.Service = masking.New(masking.Deps{Ledger: l, Tree: within{}, Covers: r.covers})
	r.put(&pb.Workplace{Name: "workplaces/lakeside", Title: "Lakeside nursery"}, "workplaces/lakeside", record.KindWorkplace)
	r.person("people/p1", "Wren Exampleton")
	return r
}

// put writes a resource and returns its number in the log.
func (r *room) put(m proto.Message, name, kind string) int64 {
	r.t.Helper()
	receipt, err := r.ledger.Write(r.t.Context(), ledger.Request{Actor: "principals/test"}, func(ctx context.Context, tx ledger.Tx) error {
		p, err := record.Put(m, name, kind, record.VerbUpdate, ledger.Any)
		if err != nil {
			return err
		}
		_, err = tx.Put(ctx, p)
		return err
	})
	require.NoError(r.t, err)
	require.NoError(r.t, r.covers.CatchUp(r.t.Context()))
	return receipt.Seq
}

func (r *room) person(name, display string) int64 {
	return r.put(&pb.Person{Name: name, DisplayName: display, EmploymentGroup: 1}, name, record.KindPerson)
}

const one = "reports/00000001-0000-7000-8000-000000000000"

func (r *room) report(m *pb.Report) *pb.Report {
	r.t.Helper()
	m.Name, m.Workplace = one, "workplaces/lakeside"
	r.put(m, one, record.KindReport)
	return r.now()
}

// now is the report as it stands.
func (r *room) now() *pb.Report {
	res, err := r.ledger.Get(r.t.Context(), one)
	require.NoError(r.t, err)
	m := &pb.Report{}
	require.NoError(r.t, record.Read(res.Body, res.Revision, m))
	return m
}

func (r *room) cover(m *pb.Report) *pb.Report {
	r.t.Helper()
	before := proto.Clone(m)
	out, err := r.covers.Cover(r.t.Context(), m)
	require.NoError(r.t, err)
	require.True(r.t, proto.Equal(before, m), "the report itself stays as it is")
	return out
}

func adviser(t *testing.T) context.Context {
	return access.With(t.Context(), access.Principal{Name: "principals/adviser", Roles: []pb.Role{pb.Role_ROLE_ADVISER}})
}

// TestCover: each text of a report is covered.
func TestCover(t *testing.T) {
	t.Parallel()
	r := newRoom(t)
	const told, covered = "by Wren Exampleton at Lakeside", "by [name] at Lakeside"
	for name, c := range map[string]struct {
		m    *pb.Report
		text func(*pb.Report) string
	}{
		"narrative":         {&pb.Report{Narrative: told}, (*pb.Report).GetNarrative},
		"spot":              {&pb.Report{Spot: told}, (*pb.Report).GetSpot},
		"task before":       {&pb.Report{TaskBefore: told}, (*pb.Report).GetTaskBefore},
		"done right away":   {&pb.Report{DoneRightAway: told}, (*pb.Report).GetDoneRightAway},
		"who could be hurt": {&pb.Report{WhoCouldBeHurt: told}, (*pb.Report).GetWhoCouldBeHurt},
		"damage":            {&pb.Report{Damage: told}, (*pb.Report).GetDamage},
		"why voided":        {&pb.Report{VoidReason: told}, (*pb.Report).GetVoidReason},
		"why changed":       {&pb.Report{ChangeReason: told}, (*pb.Report).GetChangeReason},
		"harm": {&pb.Report{Harms: []*pb.Harm{{Description: told}}},
			func(m *pb.Report) string { return m.GetHarms()[0].GetDescription() }},
		"why an outcome": {&pb.Report{Harms: []*pb.Harm{{OutcomeHistory: []*pb.OutcomeChange{{Reason: told}}}}},
			func(m *pb.Report) string { return m.GetHarms()[0].GetOutcomeHistory()[0].GetReason() }},
		"substance": {&pb.Report{Release: &pb.Release{Substance: told}}, func(m *pb.Report) string { return m.GetRelease().GetSubstance() }},
		"steps":     {&pb.Report{Release: &pb.Release{StepsTaken: told}}, func(m *pb.Report) string { return m.GetRelease().GetStepsTaken() }},
		"title":     {&pb.Report{Origin: &pb.Origin{Title: told}}, func(m *pb.Report) string { return m.GetOrigin().GetTitle() }},
		"attribute": {&pb.Report{Origin: &pb.Origin{Attributes: map[string]string{"who": told}}},
			func(m *pb.Report) string { return m.GetOrigin().GetAttributes()["who"] }},
	} {
		c.m.Name = one
		require.Equal(t, covered, c.text(r.cover(c.m)), name)
	}
	plain := &pb.Report{Name: one, Narrative: "The saw stopped."}
	require.Same(t, plain, r.cover(plain), "nothing is copied where nothing is covered")
}

// TestDecided: what an adviser decided stands while the story does; what they
// covered stays covered after it was amended, and beside it.
func TestDecided(t *testing.T) {
	t.Parallel()
	r := newRoom(t)
	m := r.report(&pb.Report{Narrative: "Old bramble saw Wren Exampleton fall.", Spot: "by old bramble"})
	require.Equal(t, "Old bramble saw [name] fall.", r.cover(m).GetNarrative())
	_, err := r.SetMaskedText(adviser(t), &pb.SetMaskedTextRequest{Report: one, Etag: m.GetEtag(), Narrative: "[name] saw somebody fall."})
	require.NoError(t, err)
	m = r.now()
	require.Equal(t, "[name] saw somebody fall.", r.cover(m).GetNarrative())
	require.Equal(t, "by old bramble", m.GetSpot())
	s, err := r.SuggestMasks(adviser(t), &pb.SuggestMasksRequest{Report: one})
	require.NoError(t, err)
	require.Equal(t, "[name] saw somebody fall.", s.GetCurrent())
	require.Equal(t, "Old bramble saw [name] fall.", s.GetSuggested(), "who begins again begins where everybody began")
	require.True(t, s.GetDecided())

	for _, c := range []struct{ covered, spot, reason string }{
		{"[name] saw somebody fall.", "by [name]", "asked [name]"},
		{"[person] [name] saw [name] fall.", "by [name]", "asked [name]"},
	} {
		_, err = r.SetMaskedText(adviser(t), &pb.SetMaskedTextRequest{Report: one, Etag: m.GetEtag(), Narrative: c.covered})
		require.NoError(t, err)
		caption := "asked old bramble"
		require.NoError(t, r.covers.CoverBeside(t.Context(), one, &caption))
		require.Equal(t, c.reason, caption)
		amended := r.report(&pb.Report{Narrative: "Then old bramble fell too.", Spot: "by old bramble"})
		require.Equal(t, "Then [name] fell too.", r.cover(amended).GetNarrative(), "it is another story, and the same people")
		require.Equal(t, c.spot, r.cover(amended).GetSpot())
		m = r.report(&pb.Report{Narrative: "Old bramble saw Wren Exampleton fall.", Spot: "by old bramble"})
	}
	nobody := "asked old bramble"
	require.NoError(t, r.covers.CoverBeside(t.Context(), "reports/00000002-0000-7000-8000-000000000000", &nobody))
	require.Equal(t, "asked old bramble", nobody, "of another report nothing is known")
}

// TestSetMaskedText: what is refused, and what a replay is answered.
func TestSetMaskedText(t *testing.T) {
	t.Parallel()
	r := newRoom(t)
	m := r.report(&pb.Report{Narrative: "Wren Exampleton fell."})
	far := access.With(t.Context(), access.Principal{Name: "principals/far", Roles: []pb.Role{pb.Role_ROLE_ADVISER}, Workplaces: []string{"workplaces/workshop"}})
	for _, c := range []struct {
		name string
		ctx  context.Context
		req  *pb.SetMaskedTextRequest
		want codes.Code
	}{
		{"no text", adviser(t), &pb.SetMaskedTextRequest{Report: one, Etag: m.GetEtag(), Narrative: " "}, codes.InvalidArgument},
		{"no etag", adviser(t), &pb.SetMaskedTextRequest{Report: one, Etag: "x", Narrative: "Somebody fell."}, codes.InvalidArgument},
		{"another version", adviser(t), &pb.SetMaskedTextRequest{Report: one, Etag: "r9", Narrative: "Somebody fell."}, codes.Aborted},
		{"no report", adviser(t), &pb.SetMaskedTextRequest{Report: one[:len(one)-1] + "9", Etag: "r1", Narrative: "Somebody fell."}, codes.NotFound},
		{"out of reach", far, &pb.SetMaskedTextRequest{Report: one, Etag: m.GetEtag(), Narrative: "Somebody fell."}, codes.NotFound},
	} {
		_, err := r.SetMaskedText(c.ctx, c.req)
		require.Equal(t, c.want, status.Code(err), c.name)
	}
	_, err := r.SuggestMasks(far, &pb.SuggestMasksRequest{Report: one})
	require.Equal(t, codes.NotFound, status.Code(err))
	require.Equal(t, "[name] fell.", r.cover(m).GetNarrative(), "nothing was decided")

	req := &pb.SetMaskedTextRequest{Report: one, Etag: m.GetEtag(), Narrative: "Somebody fell.", RequestId: uuid.NewString()}
	first, err := r.SetMaskedText(adviser(t), req)
	require.NoError(t, err)
	_, err = r.SetMaskedText(adviser(t), &pb.SetMaskedTextRequest{Report: one, Etag: m.GetEtag(), Narrative: "A worker fell."})
	require.NoError(t, err)
	again, err := r.SetMaskedText(adviser(t), req)
	require.NoError(t, err)
	require.Equal(t, first.GetNarrative(), again.GetNarrative(), "a replay is answered as the first time")
	require.Equal(t, "A worker fell.", r.cover(m).GetNarrative(), "and decides nothing anew")
}
