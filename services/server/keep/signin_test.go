package keep

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	grpccodes "google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/server/servertest"
)

// TestErasures_signIn: a password that was set again, a code that was used and
// one that was made again, and a PIN that was changed are no deletions to the
// check. Repeated on an older copy, the password from before lets nobody in again,
// and the one from after lets its owner in.
func TestErasures_signIn(t *testing.T) {
	t.Parallel()
	s := servertest.Start(t, servertest.Options{})
	s.Shire()
	admin, who := s.As("administrator"), "principals/p-31"
	principals, ways := pb.NewPrincipalServiceClient(s.Conn()), pb.NewSignInServiceClient(s.Conn())
	_, err := principals.CreatePrincipal(admin, &pb.CreatePrincipalRequest{Principal: &pb.Principal{Name: who, DisplayName: "Fern Placeholder",
		SignInName: "fern", Grants: []*pb.Grant{{Role: pb.Role_ROLE_WORKER}}}})
	require.NoError(t, err)
	code := func() string {
		t.Helper()
		made, err := ways.MakeSignInCode(admin, &pb.MakeSignInCodeRequest{Principal: who})
		require.NoError(t, err)
		return made.GetCode()
	}
	set := func(req *pb.SetPasswordRequest, password string) {
		t.Helper()
		req.SignInName, req.NewPassword = "fern", password
		_, err := ways.SetPassword(t.Context(), req)
		require.NoError(t, err)
	}
	pin := func(digits string) {
		t.Helper()
		_, err := principals.SetPin(admin, &pb.SetPinRequest{Name: who, Pin: digits})
		require.NoError(t, err)
	}
	backup := func(to string) {
		t.Helper()
		l, err := sqlite.OpenReadOnly(t.Context(), s.Data, sqlite.Options{})
		require.NoError(t, err)
		defer l.Close()
		_, err = Backup(t.Context(), l, BackupPlan{Data: s.Data, Dest: to})
		require.NoError(t, err)
	}
	const before, after = "rope bucket thistle noon", "candle gravel orchard nine"
	out := t.TempDir()
	set(&pb.SetPasswordRequest{Proof: &pb.SetPasswordRequest_Code{Code: code()}}, before)
	code()
	pin("740283")
	backup(filepath.Join(out, "old"))
	set(&pb.SetPasswordRequest{Proof: &pb.SetPasswordRequest_CurrentPassword{CurrentPassword: before}}, after)
	code()
	code()
	pin("913570")
	require.Empty(t, checked(t, s.Data).Findings)
	backup(filepath.Join(out, "new"))

	list, err := OpenErasures(filepath.Join(out, "new"))
	require.NoError(t, err)
	data := filepath.Join(t.TempDir(), "data")
	_, err = Restore(t.Context(), RestorePlan{Source: filepath.Join(out, "old"), Data: data, Erasures: list})
	require.NoError(t, err)
	require.Empty(t, checked(t, data).Findings)
	ways = pb.NewSignInServiceClient(servertest.Start(t, servertest.Options{Data: data}).Conn())
	signIn := func(password string) error {
		_, err := ways.SignInWithPassword(t.Context(), &pb.SignInWithPasswordRequest{SignInName: "fern", Password: password})
		return err
	}
	require.Equal(t, grpccodes.Unauthenticated, status.Code(signIn(before)))
	require.NoError(t, signIn(after))
}
