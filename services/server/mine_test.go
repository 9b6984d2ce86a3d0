package server_test

import (
	"context"
	"fmt"
	"net/http"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger/postgres/pgtest"
	"fairlead/services/server/servertest"
)

// own files a report, once for each purpose, that the adviser tells by name.
func (w *world) own(purpose string) string {
	w.t.Helper()
	if w.kept[purpose] == "" {
		r, _ := w.tells(w.As("adviser"), pb.TellerMode_TELLER_MODE_NAMED, nil)
		w.kept[purpose] = r.GetName()
	}
	return w.kept[purpose]
}

// tells files a report as somebody.
func (w *world) tells(ctx context.Context, mode pb.TellerMode, teller *pb.Teller) (*pb.Report, string) {
	w.t.Helper()
	return w.files(ctx, &pb.Report{TellerMode: mode}, teller)
}

func (w *world) files(ctx context.Context, r *pb.Report, teller *pb.Teller) (*pb.Report, string) {
	w.t.Helper()
	proto.Merge(r, &pb.Report{Name: "reports/" + w.id(), Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside", Narrative: "Loose step at the wash bay."})
	resp, err := pb.NewReportServiceClient(w.Conn()).FileReport(ctx, &pb.FileReportRequest{Report: r, RequestId: w.id(), Teller: teller})
	require.NoError(w.t, err)
	return resp.GetReport(), resp.GetReceiptCode()
}

// account adds somebody who signs in by name, and returns a context that calls as
// them by a token of their own.
func (w *world) account(name, display, person string) context.Context {
	w.t.Helper()
	who := pb.NewPrincipalServiceClient(w.Conn())
	_, err := who.CreatePrincipal(w.As("administrator"), &pb.CreatePrincipalRequest{Principal: &pb.Principal{Name: name, DisplayName: display, Person: person,
		OfferedOnTablets: true, Grants: []*pb.Grant{{Role: pb.Role_ROLE_WORKER}}}})
	require.NoError(w.t, err)
	made, err := who.CreateToken(w.As("administrator"), &pb.CreateTokenRequest{Principal: name, Purpose: "test"})
	require.NoError(w.t, err)
	return as(w.t, made.GetSecret())
}

func as(t testing.TB, secret string) context.Context {
	return metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+secret)
}

// listed are the names that somebody's list has, page by page.
func (w *world) listed(ctx context.Context) (out []string) {
	w.t.Helper()
	for token := ""; ; {
		resp, err := pb.NewMyReportServiceClient(w.Conn()).ListMyReports(ctx, &pb.ListMyReportsRequest{PageSize: 2, PageToken: token})
		require.NoError(w.t, err)
		require.Contains(w.t, resp.GetNotListed(), "receipt code")
		for _, r := range resp.GetReports() {
			out = append(out, r.GetName())
		}
		if token = resp.GetNextPageToken(); token == "" {
			return out
		}
	}
}

// TestMyReports: whoever tells by name hears without the code what they would by
// it, of their own reports and of no other.
func TestMyReports(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	mine, house := pb.NewMyReportServiceClient(w.Conn()), pb.NewMessageServiceClient(w.Conn())
	moss := w.account("principals/moss", "Moss Fableton", wren)
	iris := w.account("principals/iris", "Iris Storybook", "")
	named, few, nobody := pb.TellerMode_TELLER_MODE_NAMED, pb.TellerMode_TELLER_MODE_CONFIDENTIAL, pb.TellerMode_TELLER_MODE_ANONYMOUS

	first, code := w.tells(moss, named, &pb.Teller{DisplayName: "moss", Contact: "channel 9"})
	second, _ := w.tells(moss, named, nil)
	third, _ := w.tells(moss, named, &pb.Teller{DisplayName: "M. Fableton"})
	// Typed by a mate, and the teller's person is said.
	typed, _ := w.files(iris, &pb.Report{TellerMode: named, TypedByAnother: true}, &pb.Teller{DisplayName: "Moss", Person: wren})
	both, _ := w.tells(moss, named, &pb.Teller{Person: wren})
	// Not Moss's: in confidence, without a name, for another, in another's name.
	w.tells(moss, few, &pb.Teller{DisplayName: "Moss Fableton", Person: wren})
	w.tells(moss, nobody, nil)
	w.files(moss, &pb.Report{TellerMode: named, TypedByAnother: true}, &pb.Teller{DisplayName: "Moss Fableton"})
	w.tells(moss, named, &pb.Teller{DisplayName: "Iris Storybook"})
	others, _ := w.tells(iris, named, &pb.Teller{DisplayName: "Iris Storybook"})

	require.Equal(t, []string{both.GetName(), typed.GetName(), third.GetName(), second.GetName(), first.GetName()}, w.listed(moss))
	require.Equal(t, []string{others.GetName()}, w.listed(iris))
	require.Empty(t, w.listed(w.As("worker")))

	q, err := house.AskTeller(w.As("adviser"), &pb.AskTellerRequest{Report: first.GetName(), Text: "Which step?"})
	require.NoError(t, err)
	byCode, err := pb.NewReceiptServiceClient(w.Conn()).GetProgress(t.Context(), &pb.GetProgressRequest{Code: code})
	require.NoError(t, err)
	got, err := mine.GetMyReport(moss, &pb.GetMyReportRequest{Name: first.GetName()})
	require.NoError(t, err)
	require.True(t, proto.Equal(byCode, got.GetProgress()), "%v\n%v", byCode, got)
	require.EqualValues(t, 1, got.GetProgress().GetQuestionsWaiting())
	list, err := mine.ListMyReportMessages(moss, &pb.ListMyReportMessagesRequest{Report: first.GetName()})
	require.NoError(t, err)
	require.Len(t, list.GetMessages(), 1)
	require.Empty(t, list.GetMessages()[0].GetAuthor())
	ack, err := mine.AcknowledgeMyReportMessage(moss, &pb.AcknowledgeMyReportMessageRequest{Name: q.GetName()})
	require.NoError(t, err)
	require.Equal(t, "2026-03-04", ack.GetAcknowledgeDate())
	require.Empty(t, ack.GetAuthor())
	answer, err := mine.AddMyReportMessage(moss, &pb.AddMyReportMessageRequest{Report: first.GetName(), Text: "The third.", Answers: q.GetName(), NotFixed: true})
	require.NoError(t, err)
	require.Equal(t, pb.MessageKind_MESSAGE_KIND_NOT_FIXED, answer.GetKind())
	h, err := pb.NewReportServiceClient(w.Conn()).ListReportHistory(w.As("adviser"), &pb.ListReportHistoryRequest{Name: first.GetName()})
	require.NoError(t, err)
	for _, e := range h.GetEntries() {
		require.False(t, e.GetVerb() == "answer" && e.GetActor() == "principals/moss", "the log names nobody, as by the code")
	}

	// Nothing of another's: neither read nor written.
	iq, err := house.AskTeller(w.As("adviser"), &pb.AskTellerRequest{Report: others.GetName(), Text: "Which one?"})
	require.NoError(t, err)
	head := w.Head()
	for what, err := range map[string]error{
		"get":         errOf(mine.GetMyReport(moss, &pb.GetMyReportRequest{Name: others.GetName()})),
		"messages":    errOf(mine.ListMyReportMessages(moss, &pb.ListMyReportMessagesRequest{Report: others.GetName()})),
		"add":         errOf(mine.AddMyReportMessage(moss, &pb.AddMyReportMessageRequest{Report: others.GetName(), Text: "x"})),
		"acknowledge": errOf(mine.AcknowledgeMyReportMessage(moss, &pb.AcknowledgeMyReportMessageRequest{Name: iq.GetName()})),
	} {
		require.Equal(t, codes.NotFound, status.Code(err), what)
	}
	require.Equal(t, head, w.Head())
	page, err := mine.ListMyReports(moss, &pb.ListMyReportsRequest{PageSize: 1})
	require.NoError(t, err)
	_, err = mine.ListMyReports(iris, &pb.ListMyReportsRequest{PageToken: page.GetNextPageToken()})
	require.Equal(t, "page_token", refused(t, err).fields[0].GetField(), "a token belongs to who was given it")

	// A restart finds the same.
	want := w.listed(moss)
	w.Stop()
	again := servertest.Start(t, servertest.Options{Data: w.Data, Clock: w.clock.Now})
	resp, err := pb.NewMyReportServiceClient(again.Conn()).ListMyReports(moss, &pb.ListMyReportsRequest{})
	require.NoError(t, err)
	require.Len(t, resp.GetReports(), len(want))
	require.Equal(t, want[0], resp.GetReports()[0].GetName())
}

func errOf[T any](_ T, err error) error { return err }

// TestMyReports_forgotten: what was erased leaves the list, and every method, at
// once, and for good.
func TestMyReports_forgotten(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	mine, keeping := pb.NewMyReportServiceClient(w.Conn()), pb.NewRetentionServiceClient(w.Conn())
	moss := w.account("principals/moss", "Moss Fableton", wren)
	named := pb.TellerMode_TELLER_MODE_NAMED
	byName, _ := w.tells(moss, named, &pb.Teller{DisplayName: "Moss Fableton"})
	byPerson, _ := w.tells(w.As("supervisor"), named, &pb.Teller{DisplayName: "Moss", Person: wren})
	plain, _ := w.tells(moss, named, nil)
	gone := func(left ...string) {
		t.Helper()
		require.Equal(t, append([]string(nil), left...), w.listed(moss))
		for _, r := range []string{byName.GetName(), byPerson.GetName(), plain.GetName()} {
			_, err := mine.GetMyReport(moss, &pb.GetMyReportRequest{Name: r})
			want := codes.NotFound
			for _, l := range left {
				if l == r {
					want = codes.OK
				}
			}
			require.Equal(t, want, status.Code(err), r)
		}
	}
	gone(plain.GetName(), byPerson.GetName(), byName.GetName())
	_, err := keeping.EraseTeller(w.As("adviser"), &pb.EraseTellerRequest{Name: byName.GetName() + "/teller", Reason: "the teller asked"})
	require.NoError(t, err)
	gone(plain.GetName(), byPerson.GetName())
	_, err = keeping.EraseTeller(w.As("adviser"), &pb.EraseTellerRequest{Name: byPerson.GetName() + "/teller", Reason: "the teller asked"})
	require.NoError(t, err)
	gone(plain.GetName())
	_, err = keeping.ErasePerson(w.As("adviser"), &pb.ErasePersonRequest{Name: wren, Reason: "the person asked"})
	require.NoError(t, err)
	gone()
}

// TestMyReports_account: the account as it is now decides, and one that is over
// hears nothing.
func TestMyReports_account(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	who := pb.NewPrincipalServiceClient(w.Conn())
	moss := w.account("principals/moss", "Moss Fableton", wren)
	w.tells(w.As("supervisor"), pb.TellerMode_TELLER_MODE_NAMED, &pb.Teller{Person: wren})
	require.Len(t, w.listed(moss), 1)
	p, err := who.GetPrincipal(w.As("administrator"), &pb.GetPrincipalRequest{Name: "principals/moss"})
	require.NoError(t, err)
	// The account is found to be somebody else's.
	p, err = who.UpdatePrincipal(w.As("administrator"), &pb.UpdatePrincipalRequest{Principal: &pb.Principal{Name: p.GetName(), Etag: p.GetEtag(), Person: w.person()}})
	require.NoError(t, err)
	require.Empty(t, w.listed(moss))
	_, err = who.EndPrincipal(w.As("administrator"), &pb.EndPrincipalRequest{Name: p.GetName(), Etag: p.GetEtag()})
	require.NoError(t, err)
	_, err = pb.NewMyReportServiceClient(w.Conn()).ListMyReports(moss, &pb.ListMyReportsRequest{})
	require.Equal(t, codes.Unauthenticated, status.Code(err))
}

// TestMyReports_turn: a tablet tells nothing; somebody's turn on it tells what is
// theirs while it lasts, and what was sealed in it is.
func TestMyReports_turn(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	mine, sealed := pb.NewMyReportServiceClient(w.Conn()), pb.NewSealedServiceClient(w.Conn())
	device, secret := w.turn()
	turn := as(t, secret)
	var names []string
	for _, mode := range []pb.TellerMode{pb.TellerMode_TELLER_MODE_NAMED, pb.TellerMode_TELLER_MODE_CONFIDENTIAL} {
		f := filing(w)
		f.Report.TellerMode, f.Report.Harms, f.Report.Name = mode, nil, "reports/"+w.id()
		f.Teller = &pb.Teller{DisplayName: "Fern Placeholder"}
		resp, err := sealed.FileSealed(device, w.seal(&pb.SealedContent{File: f, Turn: secret}, nil))
		require.NoError(t, err)
		names = append(names, resp.GetName())
	}
	require.Equal(t, names[:1], w.listed(turn))
	asked := func(ctx context.Context, want codes.Code) {
		t.Helper()
		_, err := mine.ListMyReports(ctx, &pb.ListMyReportsRequest{})
		require.Equal(t, want, status.Code(err))
		_, err = mine.GetMyReport(ctx, &pb.GetMyReportRequest{Name: names[0]})
		require.Equal(t, want, status.Code(err))
		_, err = mine.AddMyReportMessage(ctx, &pb.AddMyReportMessageRequest{Report: names[0], NotFixed: true})
		require.Equal(t, want, status.Code(err))
	}
	asked(device, codes.PermissionDenied)
	asked(t.Context(), codes.Unauthenticated)
	w.clock.Set(now.Add(16 * time.Minute))
	asked(turn, codes.Unauthenticated)
	asked(device, codes.PermissionDenied)
}

// TestMyReports_form: what came by the open form is nobody's own, and the form
// hears of nothing.
func TestMyReports_form(t *testing.T) {
	t.Parallel()
	token := ""
	w := newWorld(t, servertest.Options{Desk: func(_ grpc.ClientConnInterface, formToken string) (http.Handler, error) {
		token = formToken
		return http.NotFoundHandler(), nil
	}})
	form := as(t, token)
	r, _ := w.tells(form, pb.TellerMode_TELLER_MODE_NAMED, nil)
	mine := pb.NewMyReportServiceClient(w.Conn())
	_, err := mine.ListMyReports(form, &pb.ListMyReportsRequest{})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
	_, err = mine.GetMyReport(form, &pb.GetMyReportRequest{Name: r.GetName()})
	require.Equal(t, codes.PermissionDenied, status.Code(err))
}

// TestMyReports_pages: a page is full, in order, and says when it is the last,
// however the two ways of being one's own lie between each other.
func TestMyReports_pages(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	moss := w.account("principals/moss", "Moss Fableton", wren)
	var want []string
	for i := range 11 {
		teller, ctx := &pb.Teller{DisplayName: "Moss"}, moss
		switch i % 4 {
		case 1:
			teller = &pb.Teller{Person: wren}
		case 2:
			teller = &pb.Teller{DisplayName: fmt.Sprint("Another ", i)}
		case 3:
			teller, ctx = &pb.Teller{Person: wren}, w.As("supervisor")
		}
		r, _ := w.tells(ctx, pb.TellerMode_TELLER_MODE_NAMED, teller)
		if i%4 != 2 {
			want = append([]string{r.GetName()}, want...)
		}
	}
	require.Equal(t, want, w.listed(moss))
	code, _, out := w.curl(t, "adviser", "GET", "/v1/myReports?pageSize=51", "")
	require.Equal(t, 400, code, out)
	code, _, out = w.curl(t, "adviser", "GET", "/v1/myReports", "")
	require.Equal(t, 200, code, out)
	require.Contains(t, out, "notListed")
}

// TestMyReports_servers: what is told on one of two servers is in the list of the
// other at once, and what is erased on one is gone on the other at once.
func TestMyReports_servers(t *testing.T) {
	t.Parallel()
	address := pgtest.Database(t)
	a := newWorld(t, servertest.Options{Clock: time.Now, Database: address})
	b := servertest.Start(t, servertest.Options{Clock: time.Now, Database: address})
	moss := a.account("principals/moss", "Moss Fableton", wren)
	b.Ready(a.Head())
	mine, keeping := pb.NewMyReportServiceClient(b.Conn()), pb.NewRetentionServiceClient(a.Conn())
	for range 5 {
		r, _ := a.tells(a.As("supervisor"), pb.TellerMode_TELLER_MODE_NAMED, &pb.Teller{Person: wren})
		list, err := mine.ListMyReports(moss, &pb.ListMyReportsRequest{})
		require.NoError(t, err)
		require.Len(t, list.GetReports(), 1)
		require.Equal(t, r.GetName(), list.GetReports()[0].GetName())
		_, err = keeping.EraseTeller(a.As("adviser"), &pb.EraseTellerRequest{Name: r.GetName() + "/teller", Reason: "the teller asked"})
		require.NoError(t, err)
		list, err = mine.ListMyReports(moss, &pb.ListMyReportsRequest{})
		require.NoError(t, err)
		require.Empty(t, list.GetReports())
	}
}
