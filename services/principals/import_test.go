package principals_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "fairlead/proto/gen/fairlead/v1"
)

// on is a row of a list: somebody by id, who signs in with it.
func on(id string, grants ...*pb.Grant) *pb.PrincipalRow {
	return &pb.PrincipalRow{Principal: &pb.Principal{Name: "principals/" + id, DisplayName: "Person " + id, SignInName: id, OfferedOnTablets: true, Grants: grants}}
}

// gone is a row of somebody who has left.
func gone(id string) *pb.PrincipalRow {
	return &pb.PrincipalRow{Principal: &pb.Principal{Name: "principals/" + id}, Left: true}
}

// counts are what an answer says, without its rows.
func counts(joined, moved, left, same, differing int32) *pb.ImportPrincipalsResponse {
	return &pb.ImportPrincipalsResponse{Joined: joined, Moved: moved, Left: left, Same: same, Differing: differing}
}

// TestImport: joiners, movers and leavers in one list, checked first; the same
// list again changes nothing.
func TestImport(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	worker := grant(pb.Role_ROLE_WORKER, "workplaces/trees")
	h.join("boss", grant(pb.Role_ROLE_ADMINISTRATOR))
	h.join("fern", worker)
	h.join("moss", worker)
	inAs := func(id string) string {
		secret, err := h.who.Begin(t.Context(), "principals/"+id, "password", time.Hour)
		require.NoError(t, err)
		return secret
	}
	fern, moss := inAs("fern"), inAs("moss")
	list := &pb.ImportPrincipalsRequest{RequestId: uuid.NewString(), Change: true, Rows: []*pb.PrincipalRow{
		on("boss", grant(pb.Role_ROLE_ADMINISTRATOR)), on("fern", grant(pb.Role_ROLE_SUPERVISOR, "workplaces/south")), gone("moss"), on("reed", worker)}}
	list.Rows[1].Line = 3

	dry := proto.Clone(list).(*pb.ImportPrincipalsRequest)
	dry.ValidateOnly = true
	head, err := h.led.Head(t.Context())
	require.NoError(t, err)
	said, err := h.who.ImportPrincipals(admin(t), dry)
	require.NoError(t, err)
	require.Empty(t, cmp.Diff(counts(1, 1, 1, 1, 0), said, protocmp.Transform(), protocmp.IgnoreFields(&pb.ImportPrincipalsResponse{}, "rows")))
	require.Len(t, said.GetRows(), 3, "whoever stays the same is counted only")
	require.EqualValues(t, 3, said.GetRows()[0].GetLine())
	require.Equal(t, pb.Role_ROLE_WORKER, said.GetRows()[0].GetBefore().GetGrants()[0].GetRole())
	require.Equal(t, pb.Role_ROLE_SUPERVISOR, said.GetRows()[0].GetAfter().GetGrants()[0].GetRole())
	now, err := h.led.Head(t.Context())
	require.NoError(t, err)
	require.Equal(t, head, now, "a check writes nothing")

	dry.Change = false
	said, err = h.who.ImportPrincipals(admin(t), dry)
	require.NoError(t, err)
	require.EqualValues(t, 1, said.GetDiffering(), "who is there already stays as they are unless it is asked for")
	require.Zero(t, said.GetMoved())

	for range 2 { // a replay is the first answer again
		done, err := h.who.ImportPrincipals(admin(t), list)
		require.NoError(t, err)
		require.Empty(t, cmp.Diff(counts(1, 1, 1, 1, 0), done, protocmp.Transform()))
	}
	for _, secret := range []string{fern, moss} {
		_, err := h.reg.ByToken(secret)
		require.Error(t, err, "whoever moves or leaves is signed out")
	}
	p, ok := h.reg.Principal("principals/moss")
	require.True(t, ok)
	require.Equal(t, pb.PrincipalState_PRINCIPAL_STATE_LEFT, p.GetState())
	require.False(t, p.GetOfferedOnTablets())
	_, there := h.reg.BySignInName("reed")
	require.True(t, there)

	list.RequestId = uuid.NewString()
	done, err := h.who.ImportPrincipals(admin(t), list)
	require.NoError(t, err)
	require.Empty(t, cmp.Diff(counts(0, 0, 0, 4, 0), done, protocmp.Transform()))
}

// TestImport_names: names to sign in with go round within one list; what the
// list does not say stays.
func TestImport_names(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	worker := grant(pb.Role_ROLE_WORKER, "workplaces/trees")
	h.join("fern", worker)
	h.join("moss", worker)
	h.join("reed", worker)
	fern, moss, sedge := on("fern", worker), on("moss", worker), on("sedge", worker)
	fern.Principal.SignInName, moss.Principal.SignInName, sedge.Principal.SignInName = "MOSS", "fern", "reed"
	_, err := h.who.ImportPrincipals(admin(t), &pb.ImportPrincipalsRequest{Change: true, Rows: []*pb.PrincipalRow{fern, moss, sedge, gone("reed")}})
	require.NoError(t, err)
	for name, want := range map[string]string{"moss": "principals/fern", "fern": "principals/moss", "reed": "principals/sedge"} {
		p, _ := h.reg.BySignInName(name)
		require.Equal(t, want, p.GetName(), name)
	}
	said := on("sedge", grant(pb.Role_ROLE_WORKER, "workplaces/south"))
	said.Principal.OfferedOnTablets, said.Principal.SignInName = false, ""
	_, err = h.who.ImportPrincipals(admin(t), &pb.ImportPrincipalsRequest{Change: true, Rows: []*pb.PrincipalRow{said}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"grants"}}})
	require.NoError(t, err)
	p, _ := h.reg.Principal("principals/sedge")
	require.Equal(t, "reed", p.GetSignInName())
	require.True(t, p.GetOfferedOnTablets())
	require.Equal(t, []string{"workplaces/south"}, p.GetGrants()[0].GetWorkplaces())
}

// TestImport_refused: everything that is wrong is said at once, and nothing of
// the list is stored.
func TestImport_refused(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	worker := grant(pb.Role_ROLE_WORKER, "workplaces/trees")
	h.join("boss", grant(pb.Role_ROLE_ADMINISTRATOR))
	h.join("fern", worker)
	left := h.join("left", worker)
	_, err := h.who.EndPrincipal(admin(t), &pb.EndPrincipalRequest{Name: left.GetName(), Etag: left.GetEtag()})
	require.NoError(t, err)
	same := on("ivy", worker)
	same.Principal.SignInName = "briar"
	held := on("rush", worker)
	held.Principal.SignInName = "Fern"
	_, err = h.who.ImportPrincipals(admin(t), &pb.ImportPrincipalsRequest{Change: true, Rows: []*pb.PrincipalRow{
		on("good", worker), on("briar", worker), on("briar", worker), same, held, on("left", worker), gone("nobody"),
		on("sedge", grant(pb.Role_ROLE_WORKER, "workplaces/nowhere")), on("thorn"), {}, on("fern", grant(pb.Role_ROLE_DEVICE))}})
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	var fields []string
	for _, d := range status.Convert(err).Details() {
		if b, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range b.GetFieldViolations() {
				fields = append(fields, v.GetField())
			}
		}
	}
	require.ElementsMatch(t, []string{"rows[2].principal.name", "rows[3].principal.sign_in_name", "rows[4].principal.sign_in_name", "rows[5].principal.name", "rows[6].left",
		"rows[7].principal.grants[0].workplaces[0]", "rows[8].principal.grants", "rows[9].principal", "rows[10].principal.grants[0].role"}, fields)
	_, there := h.reg.Principal("principals/good")
	require.False(t, there, "nothing is half done")

	_, err = h.who.ImportPrincipals(admin(t), &pb.ImportPrincipalsRequest{Rows: []*pb.PrincipalRow{on("good", worker), gone("boss")}})
	require.Equal(t, codes.FailedPrecondition, status.Code(err), "the last administrator stays")
	_, there = h.reg.Principal("principals/good")
	require.False(t, there)
	_, err = h.who.ImportPrincipals(admin(t), &pb.ImportPrincipalsRequest{Rows: []*pb.PrincipalRow{on("new-boss", grant(pb.Role_ROLE_ADMINISTRATOR)), gone("boss")}})
	require.NoError(t, err, "unless the list brings another")
	_, err = h.who.ImportPrincipals(admin(t), &pb.ImportPrincipalsRequest{Rows: []*pb.PrincipalRow{on("zinnia", worker)}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"state"}}})
	require.Equal(t, codes.InvalidArgument, status.Code(err))
}

// TestImport_many: a list of all there may be is one write.
func TestImport_many(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	req := &pb.ImportPrincipalsRequest{}
	for i := range 5000 {
		req.Rows = append(req.Rows, on(fmt.Sprint("p", i), grant(pb.Role_ROLE_WORKER, "workplaces/trees")))
	}
	done, err := h.who.ImportPrincipals(admin(t), req)
	require.NoError(t, err)
	require.EqualValues(t, 5000, done.GetJoined())
	list, more := h.reg.Principals("", 6000, false)
	require.Len(t, list, 5000)
	require.False(t, more)
}
