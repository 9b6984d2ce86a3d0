package intake_test

import (
	"context"
	"crypto/rand"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/ledger"
	"fairlead/services/receiptcode"
	"fairlead/services/record"
)

const (
	someUUID  = "0190d3a0-7c1e-7b3a-9f6e-2b1c4d5e6f70"
	otherUUID = "0190d3a0-7c1e-7b3a-9f6e-2b1c4d5e6f71"
)

const (
	notKnown = pb.AnswerState_ANSWER_STATE_NOT_KNOWN
	notApply = pb.AnswerState_ANSWER_STATE_DOES_NOT_APPLY
)

func TestFileReport(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	sent := nearMiss(func(r *pb.Report) {
		r.Spot = "behind bay 3"
		r.Answers = map[string]pb.AnswerState{"damage": notApply, "task_before": notKnown, "potential": pb.AnswerState_ANSWER_STATE_NOT_ASKED}
	})
	before := proto.Clone(sent)
	resp, err := call(worker, h.FileReport, &pb.FileReportRequest{Report: sent})
	require.NoError(t, err)
	require.True(t, proto.Equal(before, sent), "the caller's message is not touched")
	r := resp.Report
	require.Equal(t, h.head(), resp.SequenceNumber)
	require.Regexp(t, `^reports/0190d3a0-7c1e-7b3a-9f6e-[0-9a-f]{12}$`, r.Name)
	require.Regexp(t, `^[0-9A-HJKMNP-TV-Z]{3}-[0-9A-HJKMNP-TV-Z]{3}-[0-9A-HJKMNP-TV-Z]$`, r.ShortCode)
	require.Equal(t, pb.ReportState_REPORT_STATE_RECEIVED, r.State)
	require.Equal(t, now, r.ReceiveTime.AsTime())
	require.Equal(t, "r1", r.Etag)
	require.Equal(t, map[string]pb.AnswerState{"damage": notApply, "task_before": notKnown}, r.Answers, "not asked is what silence says")

	got, err := call(adviser, h.GetReport, &pb.GetReportRequest{Name: r.Name, MinSequenceNumber: resp.SequenceNumber})
	require.NoError(t, err)
	require.True(t, proto.Equal(r, got), "what was answered is what is stored")

	// As it is said and written down.
	for _, code := range []string{r.ShortCode, strings.ToLower(r.ShortCode), strings.ReplaceAll(r.ShortCode, "-", "")} {
		got, err := call(adviser, h.GetReport, &pb.GetReportRequest{Name: "reports/" + code})
		require.NoError(t, err, code)
		require.Equal(t, r.Name, got.Name)
	}
}

func TestFileReportKeepsTheFourStatesApart(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.file(nearMiss(func(r *pb.Report) {
		r.Kind, r.Workplace, r.OccurTime = pb.ReportKind_REPORT_KIND_NOT_SURE, shire, nil
		r.Answers = map[string]pb.AnswerState{"occur_time": notKnown, "potential": notKnown}
	}))
	got, err := call(adviser, h.GetReport, &pb.GetReportRequest{Name: r.Name})
	require.NoError(t, err)
	require.Equal(t, notKnown, got.Answers["occur_time"], "not sure everywhere is a report like any other")
}

func TestFileReportFillsIn(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.file(injury(func(r *pb.Report, one *pb.Harm) {
		one.Person = hurtOne
		one.Absences = []*pb.Absence{{FirstDate: "2026-03-02"}, {FirstDate: "2026-02-24", ReturnDate: "2026-02-26", RosteredDays: proto.Int32(2)}}
		r.Harms = append(r.Harms, &pb.Harm{HarmId: "h1", Description: "Shock"}, &pb.Harm{Person: hurtOne, Answers: map[string]pb.AnswerState{"employment_group": notKnown}})
		r.TellerMode = 0
	}))
	require.Equal(t, pb.TellerMode_TELLER_MODE_CONFIDENTIAL, r.TellerMode, "never wider than was chosen")
	require.Equal(t, []string{"h2", "h1", "h3"}, []string{r.Harms[0].HarmId, r.Harms[1].HarmId, r.Harms[2].HarmId})
	require.Equal(t, pb.EmploymentGroup_EMPLOYMENT_GROUP_LABOUR_HIRE, r.Harms[0].EmploymentGroup, "the house knows the person")
	require.Zero(t, r.Harms[2].EmploymentGroup, "unless somebody said that nobody knows")
	require.Equal(t, pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, r.Harms[0].Outcome, "worse than what was recorded")
	require.Equal(t, "2026-02-24", r.Harms[0].Absences[0].FirstDate)
	require.Equal(t, now, r.Harms[0].OutcomeHistory[0].RecordTime.AsTime())
	require.Empty(t, r.Harms[0].OutcomeHistory[0].Recorder, "told in confidence: not who typed it")

	// What only the house says is not taken from the caller.
	r = h.file(nearMiss(func(r *pb.Report) {
		r.ShortCode, r.Etag, r.State, r.VoidReason, r.ChangeReason = "AAA-AAA-A", "r9", 2, "x", "y"
		r.ReceiveTime, r.UpdateTime = at("2020-01-01T00:00:00Z"), at("2020-01-01T00:00:00Z")
		r.Release = &pb.Release{}
	}))
	require.NotEqual(t, "AAA-AAA-A", r.ShortCode)
	require.Equal(t, pb.ReportState_REPORT_STATE_RECEIVED, r.State)
	require.Empty(t, r.VoidReason+r.ChangeReason)
	require.Equal(t, now, r.ReceiveTime.AsTime())
	require.Nil(t, r.Release, "a release that says nothing is none")

	// A month that is all that is known begins on its first day, in the place.
	r = h.file(nearMiss(func(r *pb.Report) {
		r.Workplace, r.OccurTime, r.OccurPrecision = quarry, at("2026-01-17T03:00:00Z"), pb.TimePrecision_TIME_PRECISION_MONTH
	}))
	require.Equal(t, at("2025-12-31T16:00:00Z").AsTime(), r.OccurTime.AsTime())
}

func TestFileReportRefuses(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	other := h.file(nearMiss(nil)).Name
	before := h.head()
	long := func(n int) string { return strings.Repeat("x", n) }
	for name, c := range map[string]struct {
		r      *pb.Report
		fields []string
	}{
		"nothing":                 {nil, []string{"report"}},
		"empty":                   {&pb.Report{}, []string{"report.kind", "report.workplace", "report.narrative"}},
		"kind of another century": {nearMiss(func(r *pb.Report) { r.Kind = 77 }), []string{"report.kind"}},
		"mode nobody knows":       {nearMiss(func(r *pb.Report) { r.TellerMode = 9 }), []string{"report.teller_mode"}},
		"narrative of spaces":     {nearMiss(func(r *pb.Report) { r.Narrative = " \n\t" }), []string{"report.narrative"}},
		"narrative too long":      {nearMiss(func(r *pb.Report) { r.Narrative = long(20001) }), []string{"report.narrative"}},
		"spot too long":           {nearMiss(func(r *pb.Report) { r.Spot = long(501) }), []string{"report.spot"}},
		"name in words":           {nearMiss(func(r *pb.Report) { r.Name = "reports/first" }), []string{"report.name"}},
		"name of nothing":         {nearMiss(func(r *pb.Report) { r.Name = "reports/00000000-0000-0000-0000-000000000000" }), []string{"report.name"}},
		"language in words":       {nearMiss(func(r *pb.Report) { r.LanguageCode = "plain English" }), []string{"report.language_code"}},
		"origin":                  {nearMiss(func(r *pb.Report) { r.Origin = &pb.Origin{Dataset: "x", SourceId: "1"} }), []string{"report.origin"}},
		"workplace not there":     {nearMiss(func(r *pb.Report) { r.Workplace = "workplaces/nortside" }), []string{"report.workplace"}},
		"workplace closed":        {nearMiss(func(r *pb.Report) { r.Workplace = oldYard }), []string{"report.workplace"}},
		"later than now":          {nearMiss(func(r *pb.Report) { r.OccurTime, r.OccurPrecision = timestamppb.New(now.Add(6*time.Minute)), 1 }), []string{"report.occur_time"}},
		"tomorrow":                {nearMiss(func(r *pb.Report) { r.OccurTime = at("2026-03-04T13:00:00Z") }), []string{"report.occur_time"}},
		"next month":              {nearMiss(func(r *pb.Report) { r.OccurTime, r.OccurPrecision = at("2026-04-02T00:00:00Z"), 5 }), []string{"report.occur_time"}},
		"before 1950":             {nearMiss(func(r *pb.Report) { r.OccurTime = at("1949-12-31T00:00:00Z") }), []string{"report.occur_time"}},
		"no time at all":          {nearMiss(func(r *pb.Report) { r.OccurTime = &timestamppb.Timestamp{Nanos: -1} }), []string{"report.occur_time"}},
		"made at no time":         {nearMiss(func(r *pb.Report) { r.MadeTime = &timestamppb.Timestamp{Nanos: -1} }), []string{"report.made_time"}},
		"precision of nothing":    {nearMiss(func(r *pb.Report) { r.OccurTime, r.OccurPrecision = nil, 3 }), []string{"report.occur_precision"}},
		"end of nothing":          {nearMiss(func(r *pb.Report) { r.OccurTime, r.OccurEndTime = nil, timestamppb.New(now) }), []string{"report.occur_end_time"}},
		"end without a period":    {nearMiss(func(r *pb.Report) { r.OccurEndTime = timestamppb.New(now) }), []string{"report.occur_end_time"}},
		"period without an end":   {nearMiss(func(r *pb.Report) { r.OccurPrecision = 4 }), []string{"report.occur_end_time"}},
		"period that ends first":  {nearMiss(func(r *pb.Report) { r.OccurPrecision, r.OccurEndTime = 4, timestamppb.New(now.Add(-2*time.Hour)) }), []string{"report.occur_end_time"}},
		"release of a hazard":     {nearMiss(func(r *pb.Report) { r.Kind, r.Release = 1, &pb.Release{Substance: "diesel"} }), []string{"report.release"}},
		"quantity without a unit": {nearMiss(func(r *pb.Report) { r.Release = &pb.Release{Quantity: proto.Float64(3)} }), []string{"report.release.quantity_unit"}},
		"less than nothing":       {nearMiss(func(r *pb.Report) { r.Release = &pb.Release{Quantity: proto.Float64(-3), QuantityUnit: "L"} }), []string{"report.release.quantity"}},
		"answer to no question":   {nearMiss(func(r *pb.Report) { r.Answers = map[string]pb.AnswerState{"weather": notKnown} }), []string{"report.answers.weather"}},
		"answer and no answer":    {nearMiss(func(r *pb.Report) { r.Answers = map[string]pb.AnswerState{"occur_time": notKnown} }), []string{"report.answers.occur_time"}},
		"answer within the release": {nearMiss(func(r *pb.Report) {
			r.Release = &pb.Release{Substance: "oil", Answers: map[string]pb.AnswerState{"substance": notKnown}}
		}), []string{"report.release.answers.substance"}},
		"link to nothing": {nearMiss(func(r *pb.Report) { r.Links = []*pb.ReportLink{{Report: "reports/" + someUUID, Kind: 1}} }), []string{"report.links[0].report"}},
		"link to itself": {nearMiss(func(r *pb.Report) {
			r.Name = "reports/" + someUUID
			r.Links = []*pb.ReportLink{{Report: r.Name, Kind: 1}}
		}), []string{"report.links[0].report"}},
		"link twice":           {nearMiss(func(r *pb.Report) { r.Links = []*pb.ReportLink{{Report: other, Kind: 1}, {Report: other, Kind: 2}} }), []string{"report.links[1].report"}},
		"link of no kind":      {nearMiss(func(r *pb.Report) { r.Links = []*pb.ReportLink{{Report: other}} }), []string{"report.links[0].kind"}},
		"two harms, one id":    {injury(func(r *pb.Report, one *pb.Harm) { one.HarmId = "h1"; r.Harms = append(r.Harms, &pb.Harm{HarmId: "h1"}) }), []string{"report.harms[1].harm_id"}},
		"a harm called report": {injury(func(_ *pb.Report, one *pb.Harm) { one.HarmId = "report" }), []string{"report.harms[0].harm_id"}},
		"nobody of that name":  {injury(func(_ *pb.Report, one *pb.Harm) { one.Person = "people/nobody" }), []string{"report.harms[0].person"}},
		"a history at filing": {injury(func(_ *pb.Report, one *pb.Harm) {
			one.OutcomeHistory = append(one.OutcomeHistory, one.OutcomeHistory[0])
		}), []string{"report.harms[0].outcome_history"}},
		"no outcome in the history":  {injury(func(_ *pb.Report, one *pb.Harm) { one.OutcomeHistory[0].Outcome = 0 }), []string{"report.harms[0].outcome_history[0].outcome"}},
		"outcome before the event":   {injury(func(_ *pb.Report, one *pb.Harm) { one.OutcomeHistory[0].EffectiveDate = "2026-02-22" }), []string{"report.harms[0].outcome_history[0].effective_date"}},
		"outcome of tomorrow":        {injury(func(_ *pb.Report, one *pb.Harm) { one.OutcomeHistory[0].EffectiveDate = "2026-03-05" }), []string{"report.harms[0].outcome_history[0].effective_date"}},
		"outcome on no day":          {injury(func(_ *pb.Report, one *pb.Harm) { one.OutcomeHistory[0].EffectiveDate = "2026-02-30" }), []string{"report.harms[0].outcome_history[0].effective_date"}},
		"death date without a death": {injury(func(_ *pb.Report, one *pb.Harm) { one.DeathDate = "2026-02-25" }), []string{"report.harms[0].death_date"}},
		"dead before the event":      {injury(func(_ *pb.Report, one *pb.Harm) { one.OutcomeHistory[0].Outcome, one.DeathDate = 7, "2026-02-20" }), []string{"report.harms[0].death_date"}},
		"away before the event":      {away("2026-02-22", "2026-02-25", -1), []string{"report.harms[0].absences[0].first_date"}},
		"away from tomorrow":         {away("2026-03-05", "", -1), []string{"report.harms[0].absences[0].first_date"}},
		"away on no day":             {away("2026-02-31", "", -1), []string{"report.harms[0].absences[0].first_date"}},
		"away, in words":             {away("last week", "", -1), []string{"report.harms[0].absences[0].first_date"}},
		"back before away":           {away("2026-02-25", "2026-02-24", -1), []string{"report.harms[0].absences[0].return_date"}},
		"back the same day":          {away("2026-02-25", "2026-02-25", -1), []string{"report.harms[0].absences[0].return_date"}},
		"back on no day":             {away("2026-02-25", "2026-02-29", -1), []string{"report.harms[0].absences[0].return_date"}},
		"back in two years":          {away("2026-02-25", "2028-02-25", -1), []string{"report.harms[0].absences[0].return_date"}},
		"more shifts than days":      {away("2026-02-25", "2026-02-27", 3), []string{"report.harms[0].absences[0].rostered_days"}},
		"shifts of an open end":      {away("2026-02-25", "", 3), []string{"report.harms[0].absences[0].rostered_days"}},
		"away twice at once": {injury(func(_ *pb.Report, one *pb.Harm) {
			one.Absences = []*pb.Absence{{FirstDate: "2026-02-26", ReturnDate: "2026-02-28"}, {FirstDate: "2026-02-24", ReturnDate: "2026-02-27"}}
		}), []string{"report.harms[0].absences[0].first_date"}},
		"away again without return": {injury(func(_ *pb.Report, one *pb.Harm) {
			one.Absences = []*pb.Absence{{FirstDate: "2026-02-24"}, {FirstDate: "2026-02-27"}}
		}), []string{"report.harms[0].absences[1].first_date"}},
		"restricted twice at once": {injury(func(_ *pb.Report, one *pb.Harm) {
			one.Restrictions = []*pb.Absence{{FirstDate: "2026-02-24", ReturnDate: "2026-02-27"}, {FirstDate: "2026-02-26", ReturnDate: "2026-02-28"}}
		}), []string{"report.harms[0].restrictions[1].first_date"}},
		"answer within a harm": {injury(func(_ *pb.Report, one *pb.Harm) { one.Answers = map[string]pb.AnswerState{"outcome": notKnown} }), []string{"report.harms[0].answers.outcome"}},
		"much wrong at once": {injury(func(r *pb.Report, one *pb.Harm) {
			r.Workplace, r.OccurTime, one.Person = "workplaces/nowhere", at("2030-01-01T00:00:00Z"), "people/nobody"
		}), []string{"report.workplace", "report.occur_time", "report.harms[0].person"}},
	} {
		for _, check := range []bool{false, true} {
			_, err := call(worker, h.FileReport, &pb.FileReportRequest{Report: c.r, ValidateOnly: check})
			require.Equal(t, codes.InvalidArgument, status.Code(err), "%s: %v", name, err)
			require.ElementsMatch(t, c.fields, fields(err), "%s: %v", name, status.Convert(err).Details())
			// What was told never comes back in an error, which may be logged.
			all := fmt.Sprint(err, status.Convert(err).Details())
			for _, said := range []string{"chipper", "forearm", "xxxx"} {
				require.NotContains(t, all, said, name)
			}
		}
	}
	_, err := call(worker, h.FileReport, &pb.FileReportRequest{Report: nearMiss(nil), RequestId: "seven"})
	refused(t, err, "request_id")
	_, err = call(worker, h.FileReport, &pb.FileReportRequest{Report: nearMiss(nil), Teller: &pb.Teller{Person: "people/nobody"}})
	refused(t, err, "teller.person")
	_, err = h.FileReport(worker, &pb.FileReportRequest{})
	refused(t, err, "report")
	require.Equal(t, before, h.head(), "nothing was written")

	// Cures are said.
	_, err = call(worker, h.FileReport, &pb.FileReportRequest{Report: nearMiss(func(r *pb.Report) { r.Workplace = "workplaces/nortside" })})
	require.ErrorContains(t, err, "did you mean workplaces/northside")
	_, err = call(worker, h.FileReport, &pb.FileReportRequest{Report: nearMiss(func(r *pb.Report) { r.Workplace = oldYard })})
	require.ErrorContains(t, err, "give workplaces/brindle-range and say the place in spot")
}

// away is an injury with one absence; rostered below 0 is not known.
func away(first, back string, rostered int32) *pb.Report {
	return injury(func(_ *pb.Report, one *pb.Harm) {
		a := &pb.Absence{FirstDate: first, ReturnDate: back}
		if rostered >= 0 {
			a.RosteredDays = proto.Int32(rostered)
		}
		one.Absences = []*pb.Absence{a}
	})
}

func TestFileReportTakes(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for name, r := range map[string]*pb.Report{
		"clocks apart":            nearMiss(func(r *pb.Report) { r.OccurTime, r.OccurPrecision = timestamppb.New(now.Add(4*time.Minute)), 1 }),
		"today, tablet says noon": nearMiss(func(r *pb.Report) { r.OccurTime, r.OccurPrecision = at("2026-03-04T12:59:00Z"), 3 }),
		"this month":              nearMiss(func(r *pb.Report) { r.OccurTime, r.OccurPrecision = at("2026-03-30T00:00:00Z"), 5 }),
		"1950":                    nearMiss(func(r *pb.Report) { r.OccurTime = at("1950-01-01T00:00:00Z") }),
		"a wrong device clock":    nearMiss(func(r *pb.Report) { r.MadeTime = at("1970-01-01T00:00:03Z") }),
		"a period":                nearMiss(func(r *pb.Report) { r.OccurPrecision, r.OccurEndTime = 4, timestamppb.New(now) }),
		"day of event in absence": away("2026-02-23", "2026-02-25", 1),
		"return planned":          away("2026-02-25", "2026-03-20", 17),
		"adjacent absences": injury(func(_ *pb.Report, one *pb.Harm) {
			one.Absences = []*pb.Absence{{FirstDate: "2026-02-24", ReturnDate: "2026-02-26"}, {FirstDate: "2026-02-26"}}
		}),
		"event not known, absence known": injury(func(r *pb.Report, one *pb.Harm) {
			r.OccurTime = nil
			one.Absences = []*pb.Absence{{FirstDate: "2026-02-24"}}
		}),
		"a death": injury(func(_ *pb.Report, one *pb.Harm) { one.OutcomeHistory[0].Outcome, one.DeathDate = 7, "2026-02-23" }),
		"damage that leaked": nearMiss(func(r *pb.Report) {
			r.Kind, r.Release = pb.ReportKind_REPORT_KIND_DAMAGE, &pb.Release{Substance: "diesel", Answers: map[string]pb.AnswerState{"quantity": notKnown}}
		}),
	} {
		_, err := call(worker, h.FileReport, &pb.FileReportRequest{Report: r})
		require.NoError(t, err, "%s: %v", name, status.Convert(err).Details())
	}
}

func TestReplay(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	code, err := receiptcode.New(rand.Reader)
	require.NoError(t, err)
	req := func() *pb.FileReportRequest {
		return &pb.FileReportRequest{RequestId: otherUUID, Teller: &pb.Teller{DisplayName: "Wren"}, ReceiptCode: receiptcode.Spoken(code),
			Report: nearMiss(func(r *pb.Report) { r.Name = "reports/" + someUUID })}
	}
	first, err := call(worker, h.FileReport, req())
	require.NoError(t, err)
	before := h.head()

	// Weeks later, the report amended, the workplace closed: the same answer.
	h.now = now.AddDate(0, 0, 40)
	_, err = call(adviser, h.UpdateReport, &pb.UpdateReportRequest{Report: &pb.Report{Name: first.Report.Name, Etag: "r1", Spot: "bay 4"}, Reason: "asked again"})
	require.NoError(t, err)
	h.put(t, &pb.Workplace{Name: northside, Parent: shire, Title: "Northside depot", Level: 2, CloseTime: timestamppb.New(now)})
	require.NoError(t, h.tree.Wait(context.Background(), h.head()))
	before = h.head()
	again, err := call(worker, h.FileReport, req())
	require.NoError(t, err)
	require.True(t, proto.Equal(first, again), "want %v\ngot  %v", first, again)

	// The same report under another request id, or none: the same answer.
	other := req()
	other.RequestId = ""
	again, err = call(worker, h.FileReport, other)
	require.NoError(t, err)
	require.True(t, proto.Equal(first.Report, again.Report))
	check := req()
	check.ValidateOnly = true
	again, err = call(worker, h.FileReport, check)
	require.NoError(t, err)
	require.Equal(t, first.Report.ShortCode, again.Report.ShortCode)

	// The same request id with another body.
	reused := req()
	reused.Report.Narrative = "Another story."
	_, err = call(worker, h.FileReport, reused)
	refused(t, err, "request_id")
	require.ErrorContains(t, err, "mint a new one")

	// The same report id with another story, another teller, or none.
	for _, change := range []func(*pb.FileReportRequest){
		func(r *pb.FileReportRequest) { r.Report.Narrative = "Another story." },
		func(r *pb.FileReportRequest) { r.Report.Workplace = quarry },
		func(r *pb.FileReportRequest) { r.Teller.DisplayName = "Someone else" },
		func(r *pb.FileReportRequest) { r.Teller = nil },
	} {
		for _, check := range []bool{false, true} {
			r := req()
			r.RequestId, r.ValidateOnly = "", check
			change(r)
			_, err := call(worker, h.FileReport, r)
			require.Equal(t, codes.AlreadyExists, status.Code(err), "%v", err)
		}
	}
	require.Equal(t, before, h.head(), "nothing was written")
}

func TestValidateOnlyWritesNothing(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	before := h.head()
	resp, err := call(worker, h.FileReport, &pb.FileReportRequest{Report: nearMiss(nil), ValidateOnly: true, RequestId: someUUID})
	require.NoError(t, err)
	require.Zero(t, resp.SequenceNumber)
	require.Empty(t, resp.Report.Name+resp.Report.ShortCode, "it has none yet")
	require.NotEmpty(t, resp.Notes)
	require.Equal(t, before, h.head())
	// The request id was not used up.
	_, err = call(worker, h.FileReport, &pb.FileReportRequest{Report: nearMiss(nil), RequestId: someUUID})
	require.NoError(t, err)
}

func TestShortCodeTaken(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	// Another report holds the code that this one would get.
	twin := newHouse(t).file(nearMiss(func(r *pb.Report) { r.Name = "reports/" + someUUID })).ShortCode
	_, err := h.log.Write(context.Background(), ledger.Request{Actor: "principals/setup"}, func(ctx context.Context, tx ledger.Tx) error {
		return tx.Claim(ctx, record.SpaceShortCode, strings.ReplaceAll(twin, "-", ""), "reports/"+otherUUID)
	})
	require.NoError(t, err)
	r := h.file(nearMiss(func(r *pb.Report) { r.Name = "reports/" + someUUID }))
	require.NotEqual(t, twin, r.ShortCode)
	got, err := call(adviser, h.GetReport, &pb.GetReportRequest{Name: "reports/" + r.ShortCode})
	require.NoError(t, err)
	require.Equal(t, r.Name, got.Name)
}

func TestAnonymous(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	sent := injury(func(r *pb.Report, _ *pb.Harm) {
		r.TellerMode, r.TellerRole, r.MadeTime = pb.TellerMode_TELLER_MODE_ANONYMOUS, pb.TellerRole_TELLER_ROLE_WORKER, timestamppb.New(now)
	})
	code, err := receiptcode.New(rand.Reader)
	require.NoError(t, err)
	req := &pb.FileReportRequest{Report: sent, RequestId: someUUID, ReceiptCode: receiptcode.Spoken(code)}
	resp, err := call(worker, h.FileReport, req)
	require.NoError(t, err)
	r := resp.Report
	day := at("2026-03-03T13:00:00Z").AsTime() // where the day begins in Sydney
	require.Equal(t, day, r.ReceiveTime.AsTime())
	require.Equal(t, day, r.UpdateTime.AsTime())
	require.Equal(t, day, r.Harms[0].OutcomeHistory[0].RecordTime.AsTime())
	require.Nil(t, r.MadeTime)
	require.Zero(t, r.TellerRole)
	require.Equal(t, byte('4'), r.Name[len("reports/")+14], "a version 7 id would tell the minute")

	changes, err := h.log.History(context.Background(), r.Name)
	require.NoError(t, err)
	require.Equal(t, access.Anonymous, changes[0].Actor)
	require.NotContains(t, changes[0].RequestID, someUUID)
	require.NotContains(t, string(changes[0].Body), "principals/worker")

	again, err := call(worker, h.FileReport, req)
	require.NoError(t, err)
	require.True(t, proto.Equal(resp, again), "a replay is a replay, whoever sends it")

	before := h.head()
	_, err = call(worker, h.FileReport, &pb.FileReportRequest{Report: sent, Teller: &pb.Teller{Contact: "0491 570 006"}})
	refused(t, err, "teller")
	require.NotContains(t, err.Error(), "0491")
	require.Equal(t, before, h.head())
	// A teller that says nothing is none.
	_, err = call(worker, h.FileReport, &pb.FileReportRequest{Report: sent, Teller: &pb.Teller{}})
	require.NoError(t, err)
}

func TestWorkplaceAddedAMomentAgo(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for i := range 20 {
		name := "workplaces/new-" + string(rune('a'+i))
		h.put(t, &pb.Workplace{Name: name, Parent: shire, Title: "New", Level: 2})
		require.Equal(t, name, h.file(nearMiss(func(r *pb.Report) { r.Workplace = name })).Workplace)
	}
}

func TestNotes(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for name, c := range map[string]struct {
		r         *pb.Report
		want, not []string
	}{
		"near miss":      {nearMiss(nil), []string{"not an emergency call"}, []string{"regulator"}},
		"death":          {injury(func(_ *pb.Report, one *pb.Harm) { one.OutcomeHistory[0].Outcome = 7 }), []string{"may have to be notified to the regulator now", "If unsure, ring", "Leave the scene"}, nil},
		"in-patient":     {injury(func(_ *pb.Report, one *pb.Harm) { one.Treatment = 4 }), []string{"may have to be notified", "Leave the scene"}, nil},
		"could have":     {nearMiss(func(r *pb.Report) { r.Potential = 4 }), []string{"even when nobody is hurt", "Leave the scene"}, nil},
		"grave hazard":   {nearMiss(func(r *pb.Report) { r.Kind, r.Potential = 1, 4 }), []string{"Keep people away"}, []string{"Leave the scene"}},
		"an injury":      {injury(nil), []string{"Some injuries must be notified"}, nil},
		"to a creek":     {nearMiss(func(r *pb.Report) { r.Kind, r.Release = 5, &pb.Release{WaterReached: 3} }), []string{"drain or to water"}, nil},
		"a spill":        {nearMiss(func(r *pb.Report) { r.Kind, r.Release = 5, &pb.Release{WaterReached: 1} }), []string{"Some releases must be notified"}, nil},
		"spill, no what": {nearMiss(func(r *pb.Report) { r.Kind = 5 }), []string{"What got out is not described"}, nil},
		"hazard, harm":   {injury(func(r *pb.Report, _ *pb.Harm) { r.Kind = 1 }), []string{"kept as told"}, nil},
		"nobody named":   {nearMiss(func(r *pb.Report) { r.Kind = 3 }), []string{"Nobody hurt is described yet"}, nil},
		"no day":         {nearMiss(func(r *pb.Report) { r.OccurTime = nil }), []string{"not known yet"}, nil},
	} {
		resp, err := call(worker, h.FileReport, &pb.FileReportRequest{Report: c.r})
		require.NoError(t, err, name)
		all := strings.Join(resp.Notes, "\n")
		for _, want := range c.want {
			require.Contains(t, all, want, name)
		}
		for _, not := range c.not {
			require.NotContains(t, all, not, name)
		}
		require.Contains(t, all, "not an emergency call", name)
		for _, clearance := range []string{"not notifiable", "no need to", "need not be", "is safe", "you are clear"} {
			require.NotContains(t, strings.ToLower(all), clearance, name)
		}
	}
}
