package search_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
)

// fields returns the fields that an error complains of.
func fields(t *testing.T, err error) []string {
	t.Helper()
	var out []string
	for _, d := range status.Convert(err).Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range br.GetFieldViolations() {
				out = append(out, v.GetField())
				require.NotEmpty(t, v.GetDescription())
			}
		}
	}
	return out
}

func TestBadInput(t *testing.T) {
	t.Parallel()
	w := shire(t)
	for _, c := range []struct {
		name    string
		ctx     context.Context
		req     *pb.SearchReportsRequest
		code    codes.Code
		fields  []string
		message string
	}{
		{name: "only small words", req: words("the of and"), code: codes.InvalidArgument, fields: []string{"words"}, message: "at least one word"},
		{name: "only signs", req: words(`"" - ?!`), code: codes.InvalidArgument, fields: []string{"words"}},
		{name: "only unwanted words", req: words("-kerb"), code: codes.InvalidArgument, fields: []string{"words"}, message: "only leaves reports out"},
		{name: "no calendar day", req: &pb.SearchReportsRequest{Words: "kerb", Filter: &pb.ReportFilter{StartDate: "2026-02-30"}},
			code: codes.InvalidArgument, fields: []string{"filter.start_date"}, message: "not a day of the calendar"},
		{name: "end before start", req: &pb.SearchReportsRequest{Words: "kerb", Filter: &pb.ReportFilter{StartDate: "2026-03-02", EndDate: "2026-03-01"}},
			code: codes.InvalidArgument, fields: []string{"filter.end_date"}},
		{name: "empty span", req: &pb.SearchReportsRequest{Words: "kerb", Filter: &pb.ReportFilter{StartDate: "2026-03-02", EndDate: "2026-03-02"}},
			code: codes.InvalidArgument, fields: []string{"filter.end_date"}},
		{name: "unknown workplace", req: &pb.SearchReportsRequest{Words: "kerb", Filter: &pb.ReportFilter{Workplaces: []string{"workplaces/northside", "workplaces/nowhere"}}},
			code: codes.InvalidArgument, fields: []string{"filter.workplaces[1]"}},
		{name: "all at once", req: &pb.SearchReportsRequest{Words: "the", PageToken: "x", Filter: &pb.ReportFilter{EndDate: "2026-13-01", Workplaces: []string{"workplaces/nowhere"}}},
			code: codes.InvalidArgument, fields: []string{"words", "filter.end_date", "filter.workplaces[0]", "page_token"}},
		{name: "page token of nobody", req: &pb.SearchReportsRequest{Words: "kerb", PageToken: "bm90IG9uZQ"},
			code: codes.InvalidArgument, fields: []string{"page_token"}},
		{name: "page size beyond the most", req: &pb.SearchReportsRequest{Words: "kerb", PageSize: 101}, code: codes.InvalidArgument, fields: []string{"page_size"}},
		{name: "page size below nothing", req: &pb.SearchReportsRequest{Words: "kerb", PageSize: -1}, code: codes.InvalidArgument, fields: []string{"page_size"}},
		{name: "no such facet", req: &pb.SearchReportsRequest{Words: "truck", Filter: &pb.ReportFilter{Codes: []*pb.CodeMatch{{Code: "1"}}}},
			code: codes.InvalidArgument, fields: []string{"filter.codes[0].facet"}},
		{name: "workplace out of reach", ctx: as(pb.Role_ROLE_SUPERVISOR, "workplaces/northside"),
			req:  &pb.SearchReportsRequest{Words: "kerb", Filter: &pb.ReportFilter{Workplaces: []string{"workplaces/lakeside"}}},
			code: codes.PermissionDenied},
		{name: "workplace that is not there, out of reach all the same", ctx: as(pb.Role_ROLE_SUPERVISOR, "workplaces/northside"),
			req:  &pb.SearchReportsRequest{Words: "kerb", Filter: &pb.ReportFilter{Workplaces: []string{"workplaces/nowhere"}}},
			code: codes.PermissionDenied},
		{name: "codes are not open to a supervisor", ctx: as(pb.Role_ROLE_SUPERVISOR),
			req:  &pb.SearchReportsRequest{Words: "truck", Filter: &pb.ReportFilter{Codes: []*pb.CodeMatch{{Facet: pb.Facet_FACET_MECHANISM, Code: "28"}}}},
			code: codes.PermissionDenied, message: "codes are not open to you"},
		{name: "codes are not open to a representative", ctx: as(pb.Role_ROLE_REPRESENTATIVE),
			req:  &pb.SearchReportsRequest{Words: "truck", Filter: &pb.ReportFilter{Codes: []*pb.CodeMatch{{Facet: pb.Facet_FACET_MECHANISM}}}},
			code: codes.PermissionDenied},
	} {
		t.Run(c.name, func(t *testing.T) {
			ctx := c.ctx
			if ctx == nil {
				ctx = adviser()
			}
			// The room itself, without the contract's rules before it.
			_, err := w.service.SearchReports(ctx, c.req)
			require.Equal(t, c.code, status.Code(err), "%v", err)
			require.ElementsMatch(t, c.fields, fields(t, err))
			require.Contains(t, fmt.Sprint(err, status.Convert(err).Proto()), c.message)
		})
	}
}

// What the contract itself refuses never reaches the room, and the room does
// not fall over it either.
func TestContractRules(t *testing.T) {
	t.Parallel()
	w := shire(t)
	for name, req := range map[string]*pb.SearchReportsRequest{
		"no words":        {},
		"too many words":  words(strings.Repeat("x", 401)),
		"unknown order":   {Words: "kerb", Order: 9},
		"unknown kind":    {Words: "kerb", Filter: &pb.ReportFilter{Kinds: []pb.ReportKind{77}}},
		"not a workplace": {Words: "kerb", Filter: &pb.ReportFilter{Workplaces: []string{"../etc"}}},
		"not a day":       {Words: "kerb", Filter: &pb.ReportFilter{StartDate: "yesterday"}},
		"before zero":     {Words: "kerb", MinSequenceNumber: -1},
	} {
		_, err := w.search(adviser(), req)
		require.Error(t, err, name)
		require.NotPanics(t, func() { _, _ = w.service.SearchReports(adviser(), req) }, name)
	}
}

func TestSearchEndsWithItsContext(t *testing.T) {
	t.Parallel()
	w := shire(t)
	ctx, stop := context.WithCancel(adviser())
	stop()
	_, err := w.search(ctx, words("spotter"))
	require.ErrorIs(t, err, context.Canceled)
}

// Pages put together are the whole answer, each report once, though reports
// arrive, change and go between one page and the next.
func TestPagesWhileReportsArrive(t *testing.T) {
	t.Parallel()
	for _, order := range []pb.SearchOrder{pb.SearchOrder_SEARCH_ORDER_BEST_FIRST, pb.SearchOrder_SEARCH_ORDER_NEWEST_FIRST} {
		w := empty(t)
		at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
		for n := range 40 {
			r := story(n, "A kerb stone rolled. "+strings.Repeat("kerb ", n%5)+strings.Repeat("filling words here ", n%3))
			r.OccurTime = timestamppb.New(at.Add(time.Duration(n/2) * time.Hour)) // many of the same hour
			w.put(t, r)
		}
		w.catchUp(t)
		req := &pb.SearchReportsRequest{Words: "kerb", PageSize: 7, Order: order}
		seen := map[string]int{}
		for page := 0; ; page++ {
			resp, err := w.search(adviser(), req)
			require.NoError(t, err)
			for _, h := range resp.GetHits() {
				seen[h.GetReport()]++
			}
			if req.PageToken = resp.GetNextPageToken(); req.PageToken == "" {
				break
			}
			require.Len(t, resp.GetHits(), 7)
			// Others arrive that stand anywhere in the order, and make the
			// word more common; the size of the page changes nothing.
			for n := range 5 {
				r := story(1000+10*page+n, strings.Repeat("kerb ", n+1))
				r.OccurTime = timestamppb.New(at.Add(time.Duration(5*n) * time.Hour))
				w.put(t, r)
			}
			w.catchUp(t)
		}
		for n := range 40 {
			require.Equal(t, 1, seen[number(n)], "report %d, order %v", n, order)
		}
		for name, times := range seen {
			require.Equal(t, 1, times, name)
		}
	}
}

func TestPageTokenBelongsToItsQuestion(t *testing.T) {
	t.Parallel()
	w := shire(t)
	req := &pb.SearchReportsRequest{Words: "truck", PageSize: 1}
	resp, err := w.search(adviser(), req)
	require.NoError(t, err)
	require.NotEmpty(t, resp.GetNextPageToken())
	other := proto.Clone(req).(*pb.SearchReportsRequest)
	other.PageToken, other.PageSize, other.IncludeCounts = resp.GetNextPageToken(), 100, true
	rest, err := w.search(adviser(), other)
	require.NoError(t, err, "page size and counts may change from page to page")
	require.Len(t, rest.GetHits(), 2)
	for _, change := range []func(*pb.SearchReportsRequest){
		func(r *pb.SearchReportsRequest) { r.Words = "trucks" },
		func(r *pb.SearchReportsRequest) { r.Order = pb.SearchOrder_SEARCH_ORDER_NEWEST_FIRST },
		func(r *pb.SearchReportsRequest) { r.Filter = &pb.ReportFilter{IncludeVoided: true} },
	} {
		q := proto.Clone(req).(*pb.SearchReportsRequest)
		q.PageToken = resp.GetNextPageToken()
		change(q)
		_, err := w.search(adviser(), q)
		require.Equal(t, codes.InvalidArgument, status.Code(err))
		require.Equal(t, []string{"page_token"}, fields(t, err))
	}
}

// heads writes counts down; months without a report, which the facts put
// between those with one, are left out.
func heads(hs []*pb.TableHead) map[string]int64 {
	out := map[string]int64{}
	for _, h := range hs {
		if h.GetTotal() > 0 {
			out[h.GetKey()] = h.GetTotal()
		}
	}
	return out
}

func TestCounts(t *testing.T) {
	t.Parallel()
	w := shire(t)
	req := &pb.SearchReportsRequest{Words: "truck", PageSize: 1, IncludeCounts: true}
	resp, err := w.search(adviser(), req)
	require.NoError(t, err)
	require.EqualValues(t, 3, resp.GetTotalSize())
	require.Equal(t, map[string]int64{"workplaces/northside-trees": 1, "workplaces/import": 2}, heads(resp.GetWorkplaces()))
	require.Equal(t, map[string]int64{"2026-03": 1, "2021-07": 1, "2022-08": 1}, heads(resp.GetMonths()))
	require.Equal(t, "2021-07", resp.GetMonths()[0].GetKey(), "oldest first")
	var kinds int64
	for _, k := range resp.GetKinds() {
		kinds += k.GetTotal()
	}
	require.EqualValues(t, 3, kinds)

	// Counts are of what the asker may see, and of nothing when not asked for.
	resp, err = w.search(as(pb.Role_ROLE_SUPERVISOR, "workplaces/northside"), req)
	require.NoError(t, err)
	require.Equal(t, map[string]int64{"workplaces/northside-trees": 1}, heads(resp.GetWorkplaces()))
	resp, err = w.search(adviser(), words("truck"))
	require.NoError(t, err)
	require.Empty(t, resp.GetKinds())
	require.Empty(t, resp.GetWorkplaces())
	require.Empty(t, resp.GetMonths())
}

// TestNothingLeaks asks for every word that stands anywhere in a secret place,
// as everyone who may not read it, and looks at the whole answer.
func TestNothingLeaks(t *testing.T) {
	t.Parallel()
	w := empty(t)
	secret := story(1, "A kerb stone rolled.")
	secret.Harms = []*pb.Harm{{HarmId: "h1", Person: "people/quillon", Description: "Xiphoid contusion, amoxicillin given.", Outcome: 3}}
	w.put(t, secret,
		&pb.Workplace{Name: "workplaces/elsewhere", Parent: "workplaces/brindle-range", Title: "Elsewhere", Level: 2})
	other := story(2, "Walloping noise from the gantry.")
	other.Workplace = "workplaces/elsewhere"
	w.put(t, other)
	teller := &pb.Teller{Name: number(1) + "/teller", DisplayName: "Zebulon Ferrar", Contact: "0491 570 006"}
	w.putOther(t, teller, teller.GetName(), "Teller")
	w.catchUp(t)

	health := []string{"xiphoid", "contusion", "amoxicillin", "amoxicilin", "xiphiod", `"xiphoid contusion"`, "kerb xiphoid"}
	tellers := []string{"zebulon", "ferrar", "quillon", "0491", "zebulun"}
	elsewhere := []string{"walloping", "gantry", "wallopin", "gantri", "gantyr"}
	ask := func(ctx context.Context, text string) {
		t.Helper()
		resp, err := w.search(ctx, words(text))
		require.NoError(t, err)
		require.Zero(t, resp.GetTotalSize(), text)
		require.Empty(t, resp.GetHits(), text)
		for _, n := range resp.GetNotes() {
			require.NotContains(t, n, "read as \"x", text)
			require.NotContains(t, n, "not found, read as", text)
		}
	}
	for _, text := range tellers {
		ask(adviser(), text)
	}
	representative := as(pb.Role_ROLE_REPRESENTATIVE)
	for _, text := range health {
		ask(representative, text)
	}
	for _, text := range elsewhere {
		ask(as(pb.Role_ROLE_SUPERVISOR, "workplaces/northside"), text)
	}

	// A report that is found by its story shows no health text, and scores as
	// if there were none, to whoever may not read it.
	resp, err := w.search(representative, words("kerb"))
	require.NoError(t, err)
	require.Len(t, resp.GetHits(), 1)
	shown := protojson.Format(resp)
	for _, text := range []string{"Xiphoid", "contusion", "quillon", "Zebulon"} {
		require.NotContains(t, shown, text)
	}
	score := resp.GetHits()[0].GetScore()
	secret.Harms[0].Description = ""
	w.put(t, secret)
	w.catchUp(t)
	resp, err = w.search(representative, words("kerb"))
	require.NoError(t, err)
	require.Equal(t, score, resp.GetHits()[0].GetScore())

	// Nor does it matter how common a word is where one may not look.
	supervisor := as(pb.Role_ROLE_SUPERVISOR, "workplaces/northside")
	before, err := w.search(supervisor, words("kerb stone"))
	require.NoError(t, err)
	for n := range 20 {
		r := story(100+n, "Stone upon stone.")
		r.Workplace = "workplaces/elsewhere"
		w.put(t, r)
	}
	w.catchUp(t)
	after, err := w.search(supervisor, words("kerb stone"))
	require.NoError(t, err)
	require.Equal(t, before.GetHits()[0].GetScore(), after.GetHits()[0].GetScore())
}

// A caller whom nobody put a principal to has a view of nothing but stories:
// the gate before the room turns them away, and the room shows no health text.
func TestNobody(t *testing.T) {
	t.Parallel()
	w := shire(t)
	resp, err := w.search(access.With(context.Background(), access.Principal{}), words("plaster"))
	require.NoError(t, err)
	require.Empty(t, resp.GetHits())
}

// A report that was voided or moved since the index last looked is not shown.
func TestHitsAreAsTheyAreNow(t *testing.T) {
	t.Parallel()
	w := empty(t)
	w.put(t, &pb.Workplace{Name: "workplaces/elsewhere", Parent: "workplaces/brindle-range", Title: "Elsewhere", Level: 2})
	gone, moved, stays := story(1, "A kerb stone rolled."), story(2, "A kerb stone rolled."), story(3, "A kerb stone rolled.")
	w.put(t, gone, moved, stays)
	w.catchUp(t)
	gone.State = pb.ReportState_REPORT_STATE_VOIDED
	moved.Workplace = "workplaces/elsewhere"
	w.put(t, gone, moved)
	supervisor := as(pb.Role_ROLE_SUPERVISOR, "workplaces/northside")
	require.Equal(t, []int{3}, w.find(t, supervisor, words("kerb")))
}
