package server_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
	"fairlead/services/server"
	"fairlead/services/server/servertest"
)

const phrase = "seven quiet harbours lantern"

// TestKeepers: a name told in confidence opens to a keeper with a passphrase and
// a reason, to nobody else, and from no copy of the data.
func TestKeepers(t *testing.T) {
	t.Parallel()
	clock := servertest.NewClock(now)
	w := newWorld(t, servertest.Options{Clock: clock.Now})
	house, reports := pb.NewKeeperServiceClient(w.Conn()), pb.NewReportServiceClient(w.Conn())
	advice := func() string {
		l, err := house.ListKeepers(w.As("auditor"), &pb.ListKeepersRequest{})
		require.NoError(t, err)
		for _, k := range l.GetKeepers() {
			require.Empty(t, k.GetClosedIdentity(), "nobody tries a passphrase at home")
		}
		return l.GetAdvice()
	}
	file := func() *pb.FileReportResponse {
		resp, err := reports.FileReport(w.As("worker"), &pb.FileReportRequest{RequestId: w.id(), Report: &pb.Report{Name: "reports/" + w.id(),
			Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside", Narrative: "Loose step."},
			Teller: &pb.Teller{DisplayName: "Linnet Marshwiggle", Contact: "channel 9"}})
		require.NoError(t, err)
		return resp
	}
	open := func(role string, r *pb.Report, passphrase string) (*pb.Teller, error) {
		return reports.GetTeller(w.As(role), &pb.GetTellerRequest{Name: r.GetName() + "/teller", Reason: "to arrange a lift home", Passphrase: passphrase})
	}
	before := file()
	require.Contains(t, strings.Join(before.GetNotes(), " "), "no keeper of names is set up here yet")
	require.Contains(t, advice(), "No keeper")
	_, err := open("adviser", before.GetReport(), "")
	require.NoError(t, err, "the house's own seal")

	// Only who is named chooses a passphrase, and a long one.
	me, err := pb.NewAccessServiceClient(w.Conn()).GetMyself(w.As("supervisor"), &pb.GetMyselfRequest{})
	require.NoError(t, err)
	_, err = house.BecomeKeeper(w.As("supervisor"), &pb.BecomeKeeperRequest{Passphrase: phrase})
	require.Equal(t, codes.PermissionDenied, refused(t, err).code)
	_, err = house.NameKeeper(w.As("adviser"), &pb.NameKeeperRequest{Principal: me.GetName()})
	require.Equal(t, codes.PermissionDenied, refused(t, err).code)
	_, err = house.NameKeeper(w.As("administrator"), &pb.NameKeeperRequest{Principal: "somebody"})
	require.Equal(t, "principal", refused(t, err).fields[0].GetField())
	// Whoever is named is there, and their role opens names.
	admin := pb.NewPrincipalServiceClient(w.Conn())
	_, err = admin.CreatePrincipal(w.As("administrator"), &pb.CreatePrincipalRequest{Principal: &pb.Principal{
		Name: "principals/ivy", DisplayName: "Ivy Placeholder", SignInName: "ivy", Grants: []*pb.Grant{{Role: pb.Role_ROLE_INVESTIGATOR, Reports: []string{before.GetReport().GetName()}}}}})
	require.NoError(t, err)
	for principal, words := range map[string]string{
		"principals/nobody": "nobody who can sign in", "principals/worker": "takes the role", "principals/administrator": "takes the role"} {
		_, err = house.NameKeeper(w.As("administrator"), &pb.NameKeeperRequest{Principal: principal})
		flaw := refused(t, err).fields
		require.Len(t, flaw, 1, principal)
		require.Equal(t, "principal", flaw[0].GetField())
		require.Contains(t, flaw[0].GetDescription(), words, principal)
	}
	ivy, err := house.NameKeeper(w.As("administrator"), &pb.NameKeeperRequest{Principal: "principals/ivy"})
	require.NoError(t, err, "one of those kept in the ledger")
	_, err = house.EndKeeper(w.As("administrator"), &pb.EndKeeperRequest{Name: ivy.GetName()})
	require.NoError(t, err)
	k, err := house.NameKeeper(w.As("administrator"), &pb.NameKeeperRequest{Principal: me.GetName()})
	require.NoError(t, err)
	require.Contains(t, advice(), "No keeper", "named, and no passphrase yet")
	for _, bad := range []string{"", "short", strings.Repeat(" ", 20)} {
		_, err = house.BecomeKeeper(w.As("supervisor"), &pb.BecomeKeeperRequest{Passphrase: bad})
		require.Equal(t, "passphrase", refused(t, err).fields[0].GetField())
	}
	_, err = house.BecomeKeeper(w.As("supervisor"), &pb.BecomeKeeperRequest{Passphrase: phrase})
	require.NoError(t, err)
	_, err = house.BecomeKeeper(w.As("supervisor"), &pb.BecomeKeeperRequest{Passphrase: phrase})
	require.Equal(t, codes.FailedPrecondition, refused(t, err).code)
	require.Contains(t, advice(), "one keeper only")
	// What was told before anybody kept names is closed now, in the background.
	require.Eventually(t, func() bool {
		_, err := open("adviser", before.GetReport(), "")
		return status.Code(err) == codes.PermissionDenied
	}, 30*time.Second, 20*time.Millisecond)
	earlier, err := open("supervisor", before.GetReport(), phrase)
	require.NoError(t, err)
	require.Equal(t, "Linnet Marshwiggle", earlier.GetDisplayName())

	filed := file()
	require.Contains(t, strings.Join(filed.GetNotes(), " "), "closed to 1 keeper of names")
	require.Contains(t, strings.Join(filed.GetNotes(), " "), "2026-06-02", "90 days after 4 March")
	_, err = open("adviser", filed.GetReport(), phrase)
	require.Equal(t, codes.PermissionDenied, refused(t, err).code, "an adviser who is no keeper")
	_, err = open("supervisor", filed.GetReport(), "")
	require.Equal(t, "passphrase", refused(t, err).fields[0].GetField())
	_, err = open("supervisor", filed.GetReport(), "seven quiet harbours")
	require.Equal(t, "passphrase", refused(t, err).fields[0].GetField())
	who, err := open("supervisor", filed.GetReport(), phrase)
	require.NoError(t, err)
	require.Equal(t, "Linnet Marshwiggle", who.GetDisplayName())
	require.Equal(t, "channel 9", who.GetContact())
	require.Empty(t, who.GetClosed())
	p, err := pb.NewReceiptServiceClient(w.Conn()).GetProgress(t.Context(), &pb.GetProgressRequest{Code: filed.GetReceiptCode()})
	require.NoError(t, err)
	require.Len(t, p.GetNameOpenings(), 1, "wrong passphrases open nothing")
	require.Contains(t, p.GetAboutName(), "closed to one keeper")

	_, err = house.ChangePassphrase(w.As("supervisor"), &pb.ChangePassphraseRequest{OldPassphrase: "wrong wrong wrong", NewPassphrase: phrase + " two"})
	require.Equal(t, "old_passphrase", refused(t, err).fields[0].GetField())
	_, err = house.ChangePassphrase(w.As("supervisor"), &pb.ChangePassphraseRequest{OldPassphrase: phrase, NewPassphrase: phrase + " two"})
	require.NoError(t, err)
	_, err = open("supervisor", filed.GetReport(), phrase)
	require.Error(t, err)
	_, err = open("supervisor", filed.GetReport(), phrase+" two")
	require.NoError(t, err)

	// Guessing is slowed down.
	slowed := false
	for range 8 {
		_, err = open("supervisor", filed.GetReport(), "a guess of some length")
		slowed = slowed || refused(t, err).reason == fault.ReasonSlowed
	}
	require.True(t, slowed)

	// A second keeper can open what came before once the first has shared it.
	_, err = house.NameKeeper(w.As("administrator"), &pb.NameKeeperRequest{Principal: "principals/adviser"})
	require.NoError(t, err)
	_, err = house.BecomeKeeper(w.As("adviser"), &pb.BecomeKeeperRequest{Passphrase: phrase + " three"})
	require.NoError(t, err)
	_, err = open("adviser", filed.GetReport(), phrase+" three")
	require.Equal(t, codes.PermissionDenied, refused(t, err).code)
	_, err = house.ShareClosedNames(w.As("adviser"), &pb.ShareClosedNamesRequest{})
	require.Equal(t, "passphrase", refused(t, err).fields[0].GetField())
	_, err = house.ShareClosedNames(w.As("administrator"), &pb.ShareClosedNamesRequest{Passphrase: phrase})
	require.Equal(t, codes.PermissionDenied, refused(t, err).code)
	clock.Set(now.Add(time.Hour)) // so much guessing
	shared, err := house.ShareClosedNames(w.As("supervisor"), &pb.ShareClosedNamesRequest{Passphrase: phrase + " two"})
	require.NoError(t, err)
	require.EqualValues(t, 2, shared.GetShared())
	who, err = open("adviser", filed.GetReport(), phrase+" three")
	require.NoError(t, err)
	require.Equal(t, "Linnet Marshwiggle", who.GetDisplayName())
	_, err = house.EndKeeper(w.As("administrator"), &pb.EndKeeperRequest{Name: "keepers/adviser"})
	require.NoError(t, err)

	// The last keeper ends only when that is said, and for good.
	_, err = house.EndKeeper(w.As("administrator"), &pb.EndKeeperRequest{Name: k.GetName()})
	require.Equal(t, codes.FailedPrecondition, refused(t, err).code)
	_, err = house.EndKeeper(w.As("administrator"), &pb.EndKeeperRequest{Name: "keepers/nobody"})
	require.Equal(t, codes.NotFound, status.Code(err))
	_, err = house.EndKeeper(w.As("administrator"), &pb.EndKeeperRequest{Name: k.GetName(), EvenIfLast: true})
	require.NoError(t, err)
	_, err = open("supervisor", filed.GetReport(), phrase+" two")
	require.Equal(t, codes.PermissionDenied, refused(t, err).code)

	w.Stop()
	everyFile(t, w, func(path string, b []byte) {
		for _, secret := range []string{"Marshwiggle", phrase, "AGE-SECRET-KEY"} {
			require.NotContains(t, string(b), secret, path)
		}
	})
}

// TestCallBackWindow: when it is over the name is destroyed, at the start of the
// server and daily; a hold keeps it.
func TestCallBackWindow(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	w := newWorld(t, servertest.Options{Data: data})
	reports := pb.NewReportServiceClient(w.Conn())
	file := func(days int32) (*pb.Report, string) {
		resp, err := reports.FileReport(w.As("worker"), &pb.FileReportRequest{RequestId: w.id(), Report: &pb.Report{Name: "reports/" + w.id(),
			Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside", Narrative: "Loose step."},
			Teller: &pb.Teller{DisplayName: "Linnet Marshwiggle", CallBackDays: days}})
		require.NoError(t, err)
		return resp.GetReport(), resp.GetReceiptCode()
	}
	short, code := file(10)
	long, _ := file(0)
	held, _ := file(10)
	_, err := pb.NewRetentionServiceClient(w.Conn()).PlaceLegalHold(w.As("adviser"), &pb.PlaceLegalHoldRequest{LegalHold: &pb.LegalHold{
		Name: "legalHolds/claim", Reason: "a claim", AskedBy: "the insurer", Reports: []string{held.GetName()}}})
	require.NoError(t, err)
	w.Stop()

	clock := servertest.NewClock(now.AddDate(0, 0, 11))
	again := servertest.Start(t, servertest.Options{Data: data, Clock: clock.Now})
	reports = pb.NewReportServiceClient(again.Conn())
	open := func(r *pb.Report) string {
		who, err := reports.GetTeller(again.As("adviser"), &pb.GetTellerRequest{Name: r.GetName() + "/teller", Reason: "to arrange a lift home"})
		require.NoError(t, err)
		return who.GetDisplayName()
	}
	receipts := pb.NewReceiptServiceClient(again.Conn())
	require.Eventually(t, func() bool {
		p, err := receipts.GetProgress(t.Context(), &pb.GetProgressRequest{Code: code})
		return err == nil && strings.Contains(p.GetAboutName(), "no longer kept")
	}, 30*time.Second, 20*time.Millisecond)
	require.Equal(t, "erased", open(short))
	require.Equal(t, "Linnet Marshwiggle", open(long))
	require.Equal(t, "Linnet Marshwiggle", open(held))
}

// TestRequestsAreKeyed: whoever steals the database cannot try names against what
// is remembered of requests, a replay is known after a restart, and the secret
// lies beside the database and in every backup's folder.
func TestRequestsAreKeyed(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	w := newWorld(t, servertest.Options{Data: data})
	req := &pb.CreatePersonRequest{RequestId: w.id(), Person: &pb.Person{Name: "people/p-9", DisplayName: "Linnet Marshwiggle",
		Workplace: "workplaces/northside", EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE}}
	first, err := pb.NewWorkplaceServiceClient(w.Conn()).CreatePerson(w.As("administrator"), req)
	require.NoError(t, err)
	asked, err := record.Request("principals/administrator", req.GetRequestId(), req)
	require.NoError(t, err)
	w.Stop()
	everyFile(t, w, func(path string, b []byte) {
		require.NotContains(t, string(b), string(asked.Fingerprint[:]), "%s holds a plain fingerprint", path)
	})
	_, err = os.Stat(filepath.Join(data, server.SealingFolder, ledger.SecretFile))
	require.NoError(t, err)
	again := servertest.Start(t, servertest.Options{Data: data})
	places := pb.NewWorkplaceServiceClient(again.Conn())
	got, err := places.CreatePerson(again.As("administrator"), req)
	require.NoError(t, err)
	require.Equal(t, first.GetName(), got.GetName())
	req.Person.DisplayName = "Sedge Marshwiggle"
	_, err = places.CreatePerson(again.As("administrator"), req)
	require.Equal(t, fault.ReasonRequestIDReused, refused(t, err).reason)
}
