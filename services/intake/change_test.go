package intake_test

import (
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "fairlead/proto/gen/fairlead/v1"
)

// amend is an amendment of a report as last read.
func amend(r *pb.Report, change func(*pb.Report), paths ...string) *pb.UpdateReportRequest {
	req := &pb.UpdateReportRequest{Report: &pb.Report{Name: r.Name, Etag: r.Etag}, Reason: "asked the crew again"}
	if len(paths) > 0 {
		req.UpdateMask = &fieldmaskpb.FieldMask{Paths: paths}
	}
	change(req.Report)
	return req
}

func TestUpdateReport(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.file(injury(func(r *pb.Report, one *pb.Harm) {
		r.Answers = map[string]pb.AnswerState{"spot": notKnown, "damage": notApply}
		one.Absences = []*pb.Absence{{FirstDate: "2026-02-24", ReturnDate: "2026-02-26"}}
	}))
	h.now = now.Add(3600e9)
	resp, err := call(supervisor, h.UpdateReport, amend(r, func(r *pb.Report) { r.Spot = "bay 3" }))
	require.NoError(t, err)
	got := resp.Report
	require.Equal(t, "bay 3", got.Spot)
	require.Equal(t, map[string]pb.AnswerState{"damage": notApply}, got.Answers, "an item with a value is known")
	require.Equal(t, "r2", got.Etag)
	require.Equal(t, "asked the crew again", got.ChangeReason)
	require.Equal(t, h.now, got.UpdateTime.AsTime())
	require.Equal(t, r.ReceiveTime.AsTime(), got.ReceiveTime.AsTime())
	require.Equal(t, h.head(), resp.SequenceNumber)

	// Read, change, send all of it back.
	all := proto.Clone(got).(*pb.Report)
	all.Narrative = "A branch came down and cut a forearm."
	resp, err = call(adviser, h.UpdateReport, &pb.UpdateReportRequest{Report: all, Reason: "clearer words"})
	require.NoError(t, err)
	got = resp.Report
	require.Equal(t, all.Narrative, got.Narrative)
	require.Len(t, got.Harms[0].Absences, 1)

	// Nothing changes, nothing is written.
	before := h.head()
	resp, err = call(adviser, h.UpdateReport, &pb.UpdateReportRequest{Report: got, Reason: "clearer words"})
	require.NoError(t, err)
	require.True(t, proto.Equal(got, resp.Report))
	require.Equal(t, before, h.head())

	// A mask clears what it names; an answer says why there is no value.
	resp, err = call(adviser, h.UpdateReport, amend(got, func(r *pb.Report) {
		r.Answers = map[string]pb.AnswerState{"spot": notKnown}
	}, "spot", "answers"))
	require.NoError(t, err)
	got = resp.Report
	require.Empty(t, got.Spot)
	require.Equal(t, map[string]pb.AnswerState{"spot": notKnown}, got.Answers)

	// All of it is sent back with a value in place of the state it had.
	all = proto.Clone(got).(*pb.Report)
	all.Spot = "bay 4"
	resp, err = call(adviser, h.UpdateReport, &pb.UpdateReportRequest{Report: all, Reason: "asked once more"})
	require.NoError(t, err)
	got = resp.Report
	require.Equal(t, "bay 4", got.Spot)
	require.Empty(t, got.Answers)

	// The event moves to the last day away: one day less, and the class follows.
	require.Equal(t, pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, got.Harms[0].Outcome)
	_, err = call(adviser, h.UpdateReport, amend(got, func(r *pb.Report) { r.OccurTime = at("2026-02-25T01:00:00Z") }))
	refused(t, err, "report.harms[0].absences[0].first_date")
	_, err = call(adviser, h.UpdateReport, amend(got, func(r *pb.Report) { r.OccurTime = at("2026-02-24T01:00:00Z") }))
	require.NoError(t, err)
}

func TestUpdateReportAmendsHarms(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.file(injury(func(r *pb.Report, one *pb.Harm) {
		one.Person, one.AgeBand = hurtOne, pb.AgeBand_AGE_BAND_25_TO_34
		r.Harms = append(r.Harms, &pb.Harm{Description: "Shock"})
	}))
	// Two days later: admitted to hospital.
	one := proto.Clone(r.Harms[0]).(*pb.Harm)
	one.Treatment = pb.Treatment_TREATMENT_IN_PATIENT
	resp, err := call(adviser, h.UpdateReport, amend(r, func(r *pb.Report) { r.Harms = []*pb.Harm{one} }, "harms"))
	require.NoError(t, err)
	got := resp.Report
	require.Equal(t, pb.Treatment_TREATMENT_IN_PATIENT, got.Harms[0].Treatment)
	require.Equal(t, hurtOne, got.Harms[0].Person)
	require.Len(t, got.Harms[0].OutcomeHistory, 1)
	require.Equal(t, "Shock", got.Harms[1].Description, "what was not sent stays")

	// The wrong person was named: taken out again.
	one.Person, one.EmploymentGroup = "", 0
	one.Answers = map[string]pb.AnswerState{"person": notKnown}
	resp, err = call(adviser, h.UpdateReport, amend(got, func(r *pb.Report) { r.Harms = []*pb.Harm{one} }, "harms"))
	require.NoError(t, err)
	require.Empty(t, resp.Report.Harms[0].Person)
	got = resp.Report

	before := h.head()
	for name, c := range map[string]struct {
		change func(*pb.Harm)
		field  string
	}{
		"no such harm":        {func(h *pb.Harm) { h.HarmId = "h9" }, "report.harms[0].harm_id"},
		"outcomes":            {func(h *pb.Harm) { h.OutcomeHistory[0].Outcome = 7 }, "report.harms[0].outcome_history"},
		"absences":            {func(h *pb.Harm) { h.Absences = []*pb.Absence{{FirstDate: "2026-02-24"}} }, "report.harms[0].absences"},
		"restrictions":        {func(h *pb.Harm) { h.Restrictions = []*pb.Absence{{FirstDate: "2026-02-24"}} }, "report.harms[0].restrictions"},
		"death date":          {func(h *pb.Harm) { h.DeathDate = "2026-02-24" }, "report.harms[0].death_date"},
		"nobody of that name": {func(h *pb.Harm) { h.Person, h.Answers = "people/nobody", nil }, "report.harms[0].person"},
		"too long":            {func(h *pb.Harm) { h.Description = strings.Repeat("x", 4001) }, "report.harms[0].description"},
		"value and no value":  {func(h *pb.Harm) { h.Answers = map[string]pb.AnswerState{"description": notKnown} }, "report.harms[0].answers.description"},
	} {
		_, err := call(adviser, h.UpdateReport, amend(got, func(r *pb.Report) {
			bad := proto.Clone(got.Harms[0]).(*pb.Harm)
			c.change(bad)
			r.Harms = []*pb.Harm{bad}
		}, "harms"))
		require.Equal(t, codes.InvalidArgument, status.Code(err), name)
		require.Equal(t, []string{c.field}, fields(err), name)
	}
	_, err = call(adviser, h.UpdateReport, amend(got, func(r *pb.Report) {
		r.Harms = []*pb.Harm{got.Harms[0], got.Harms[1], got.Harms[0]}
	}))
	refused(t, err, "report.harms[2].harm_id")
	require.Equal(t, before, h.head())
}

func TestUpdateReportRefuses(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.file(nearMiss(nil))
	anonymous := h.file(nearMiss(func(r *pb.Report) { r.TellerMode = pb.TellerMode_TELLER_MODE_ANONYMOUS }))
	north := as(pb.Role_ROLE_SUPERVISOR, northside)
	before := h.head()
	for name, c := range map[string]struct {
		ctx   context.Context
		req   *pb.UpdateReportRequest
		code  codes.Code
		field string
	}{
		"nothing":              {adviser, &pb.UpdateReportRequest{Reason: "why not"}, codes.InvalidArgument, "report"},
		"no name":              {adviser, &pb.UpdateReportRequest{Report: &pb.Report{Etag: "r1", Spot: "x"}, Reason: "why not"}, codes.InvalidArgument, "report.name"},
		"a name in words":      {adviser, &pb.UpdateReportRequest{Report: &pb.Report{Name: "reports/the first", Etag: "r1"}, Reason: "why not"}, codes.InvalidArgument, "report.name"},
		"no reason":            {adviser, &pb.UpdateReportRequest{Report: &pb.Report{Name: r.Name, Etag: "r1", Spot: "x"}}, codes.InvalidArgument, "reason"},
		"reason of spaces":     {adviser, &pb.UpdateReportRequest{Report: &pb.Report{Name: r.Name, Etag: "r1", Spot: "x"}, Reason: "    "}, codes.InvalidArgument, "reason"},
		"reason too long":      {adviser, &pb.UpdateReportRequest{Report: &pb.Report{Name: r.Name, Etag: "r1", Spot: "x"}, Reason: strings.Repeat("x", 1001)}, codes.InvalidArgument, "reason"},
		"no etag":              {adviser, amend(r, func(r *pb.Report) { r.Etag = "" }), codes.InvalidArgument, "report.etag"},
		"etag from elsewhere":  {adviser, amend(r, func(r *pb.Report) { r.Etag = "W/abc" }), codes.InvalidArgument, "report.etag"},
		"etag of the future":   {adviser, amend(r, func(r *pb.Report) { r.Etag = "r9" }), codes.Aborted, ""},
		"not there":            {adviser, amend(r, func(r *pb.Report) { r.Name = "reports/" + someUUID }), codes.NotFound, ""},
		"unknown path":         {adviser, amend(r, func(*pb.Report) {}, "weather"), codes.InvalidArgument, "update_mask"},
		"path into a harm":     {adviser, amend(r, func(*pb.Report) {}, "harms.treatment"), codes.InvalidArgument, "update_mask"},
		"teller mode":          {adviser, amend(r, func(r *pb.Report) { r.TellerMode = pb.TellerMode_TELLER_MODE_CONFIDENTIAL }), codes.InvalidArgument, "report.teller_mode"},
		"teller mode by path":  {adviser, amend(r, func(*pb.Report) {}, "teller_mode"), codes.InvalidArgument, "update_mask"},
		"origin":               {adviser, amend(r, func(r *pb.Report) { r.Origin = &pb.Origin{Dataset: "x", SourceId: "1"} }), codes.InvalidArgument, "report.origin"},
		"made time":            {adviser, amend(r, func(r *pb.Report) { r.MadeTime = at("2026-03-01T00:00:00Z") }), codes.InvalidArgument, "report.made_time"},
		"kind cleared":         {adviser, amend(r, func(*pb.Report) {}, "kind"), codes.InvalidArgument, "report.kind"},
		"narrative cleared":    {adviser, amend(r, func(*pb.Report) {}, "narrative"), codes.InvalidArgument, "report.narrative"},
		"kind nobody knows":    {adviser, amend(r, func(r *pb.Report) { r.Kind = 99 }), codes.InvalidArgument, "report.kind"},
		"spot too long":        {adviser, amend(r, func(r *pb.Report) { r.Spot = strings.Repeat("x", 501) }), codes.InvalidArgument, "report.spot"},
		"tomorrow":             {adviser, amend(r, func(r *pb.Report) { r.OccurTime = at("2026-03-05T01:00:00Z") }), codes.InvalidArgument, "report.occur_time"},
		"before 1950":          {adviser, amend(r, func(r *pb.Report) { r.OccurTime = at("1931-03-05T01:00:00Z") }), codes.InvalidArgument, "report.occur_time"},
		"workplace not there":  {adviser, amend(r, func(r *pb.Report) { r.Workplace = "workplaces/nowhere" }), codes.InvalidArgument, "report.workplace"},
		"workplace closed":     {adviser, amend(r, func(r *pb.Report) { r.Workplace = oldYard }), codes.InvalidArgument, "report.workplace"},
		"beyond the role":      {north, amend(r, func(r *pb.Report) { r.Workplace = quarry }), codes.InvalidArgument, "report.workplace"},
		"role of an anonymous": {adviser, amend(anonymous, func(r *pb.Report) { r.TellerRole = 1 }), codes.InvalidArgument, "report.teller_role"},
		"value and no value":   {adviser, amend(r, func(r *pb.Report) { r.Spot, r.Answers = "x", map[string]pb.AnswerState{"spot": notKnown} }, "spot", "answers"), codes.InvalidArgument, "report.answers.spot"},
		"no mask: both given":  {adviser, amend(r, func(r *pb.Report) { r.Spot, r.Answers = "x", map[string]pb.AnswerState{"spot": notKnown} }), codes.InvalidArgument, "report.answers.spot"},
		"no mask: has a value": {adviser, amend(r, func(r *pb.Report) { r.Answers = map[string]pb.AnswerState{"kind": notKnown} }), codes.InvalidArgument, "report.answers.kind"},
		"no mask: no item":     {adviser, amend(r, func(r *pb.Report) { r.Answers = map[string]pb.AnswerState{"weather": notKnown} }), codes.InvalidArgument, "report.answers.weather"},
		"no mask: known what?": {adviser, amend(r, func(r *pb.Report) { r.Answers = map[string]pb.AnswerState{"spot": pb.AnswerState_ANSWER_STATE_KNOWN} }), codes.InvalidArgument, "report.answers.spot"},
		"harm of another":      {adviser, amend(r, func(r *pb.Report) { r.Harms = []*pb.Harm{{HarmId: "h1"}} }), codes.InvalidArgument, "report.harms[0].harm_id"},
		"link to nothing":      {adviser, amend(r, func(r *pb.Report) { r.Links = []*pb.ReportLink{{Report: "reports/" + someUUID, Kind: 1}} }), codes.InvalidArgument, "report.links[0].report"},
		"release of a hazard":  {adviser, amend(r, func(r *pb.Report) { r.Kind, r.Release = 1, &pb.Release{Substance: "oil"} }), codes.InvalidArgument, "report.release"},
	} {
		_, err := call(c.ctx, h.UpdateReport, c.req)
		require.Equal(t, c.code, status.Code(err), "%s: %v", name, err)
		if c.field != "" {
			require.Contains(t, fields(err), c.field, name)
			require.Len(t, fields(err), 1, "%s: %v", name, fields(err))
		}
	}
	require.Equal(t, before, h.head(), "nothing was written")

	_, err := call(adviser, h.UpdateReport, amend(r, func(r *pb.Report) { r.Etag = "r9" }))
	require.Equal(t, "r1", status.Convert(err).Details()[0].(*errdetails.ErrorInfo).Metadata["etag"], "the etag that is current is told")
	// It happened while the old yard was still open: moved there.
	_, err = call(adviser, h.UpdateReport, amend(r, func(r *pb.Report) { r.Workplace, r.OccurTime = oldYard, at("2025-06-01T00:00:00Z") }))
	require.NoError(t, err)
}

func TestUpdateReplay(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.file(nearMiss(nil))
	req := amend(r, func(r *pb.Report) { r.Spot = "bay 3" })
	req.RequestId = someUUID
	first, err := call(adviser, h.UpdateReport, req)
	require.NoError(t, err)
	_, err = call(adviser, h.UpdateReport, amend(first.Report, func(r *pb.Report) { r.Spot = "bay 4" }))
	require.NoError(t, err)
	before := h.head()
	again, err := call(adviser, h.UpdateReport, req)
	require.NoError(t, err, "its etag is old, but so is the request")
	require.True(t, proto.Equal(first, again))
	require.Equal(t, before, h.head())
	req.Reason = "another reason"
	_, err = call(adviser, h.UpdateReport, req)
	refused(t, err, "request_id")
}

func TestVoidReport(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.file(injury(nil))
	for name, c := range map[string]struct {
		req   *pb.VoidReportRequest
		code  codes.Code
		field string
	}{
		"nothing":          {&pb.VoidReportRequest{}, codes.InvalidArgument, "name"},
		"no etag":          {&pb.VoidReportRequest{Name: r.Name, Reason: "filed twice"}, codes.InvalidArgument, "etag"},
		"no reason":        {&pb.VoidReportRequest{Name: r.Name, Etag: "r1"}, codes.InvalidArgument, "reason"},
		"reason of spaces": {&pb.VoidReportRequest{Name: r.Name, Etag: "r1", Reason: "   "}, codes.InvalidArgument, "reason"},
		"etag in words":    {&pb.VoidReportRequest{Name: r.Name, Etag: "latest", Reason: "filed twice"}, codes.InvalidArgument, "etag"},
		"old etag":         {&pb.VoidReportRequest{Name: r.Name, Etag: "r2", Reason: "filed twice"}, codes.Aborted, ""},
		"not there":        {&pb.VoidReportRequest{Name: "reports/" + someUUID, Etag: "r1", Reason: "filed twice"}, codes.NotFound, ""},
	} {
		_, err := call(adviser, h.VoidReport, c.req)
		require.Equal(t, c.code, status.Code(err), "%s: %v", name, err)
		if c.field != "" {
			require.Contains(t, fields(err), c.field, name)
		}
	}
	resp, err := call(adviser, h.VoidReport, &pb.VoidReportRequest{Name: r.Name, Etag: "r1", Reason: "filed twice"})
	require.NoError(t, err)
	require.Equal(t, pb.ReportState_REPORT_STATE_VOIDED, resp.Report.State)
	require.Equal(t, "filed twice", resp.Report.VoidReason)
	require.Equal(t, r.Narrative, resp.Report.Narrative, "it is kept")

	// It stays as it is.
	v := resp.Report
	for name, again := range map[string]func() error{
		"void": func() error {
			_, err := call(adviser, h.VoidReport, &pb.VoidReportRequest{Name: v.Name, Etag: v.Etag, Reason: "again"})
			return err
		},
		"amend": func() error {
			_, err := call(adviser, h.UpdateReport, amend(v, func(r *pb.Report) { r.Spot = "x" }))
			return err
		},
		"harm": func() error {
			_, err := call(adviser, h.AddHarm, &pb.AddHarmRequest{Name: v.Name, Etag: v.Etag, Harm: &pb.Harm{}})
			return err
		},
		"outcome": func() error {
			_, err := call(adviser, h.RecordOutcome, &pb.RecordOutcomeRequest{Name: v.Name, Etag: v.Etag, HarmId: "h1", Change: &pb.OutcomeChange{Outcome: 2}})
			return err
		},
		"absence": func() error {
			_, err := call(adviser, h.RecordAbsence, &pb.RecordAbsenceRequest{Name: v.Name, Etag: v.Etag, HarmId: "h1", Absence: &pb.Absence{FirstDate: "2026-02-24"}})
			return err
		},
	} {
		require.Equal(t, codes.FailedPrecondition, status.Code(again()), name)
	}
}

func TestAddHarm(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.file(nearMiss(func(r *pb.Report) {
		r.OccurTime = at("2026-02-23T01:00:00Z")
		r.Answers = map[string]pb.AnswerState{"harms": notKnown}
	}))
	add := func(harm *pb.Harm) (*pb.WriteReportResponse, error) {
		return call(adviser, h.AddHarm, &pb.AddHarmRequest{Name: r.Name, Etag: r.Etag, Harm: harm})
	}
	resp, err := add(&pb.Harm{Person: hurtOne, OutcomeHistory: []*pb.OutcomeChange{{Outcome: 2}}, Absences: []*pb.Absence{{FirstDate: "2026-02-24"}}})
	require.NoError(t, err)
	r = resp.Report
	one := r.Harms[0]
	require.Equal(t, "h1", one.HarmId)
	require.Equal(t, pb.EmploymentGroup_EMPLOYMENT_GROUP_LABOUR_HIRE, one.EmploymentGroup)
	require.Equal(t, pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, one.Outcome)
	require.Equal(t, "principals/adviser", one.OutcomeHistory[0].Recorder)
	require.Empty(t, r.Answers, "there is an answer now")

	before := h.head()
	for name, c := range map[string]struct {
		harm  *pb.Harm
		field string
	}{
		"nothing":              {nil, "harm"},
		"id in use":            {&pb.Harm{HarmId: "h1"}, "harm.harm_id"},
		"called report":        {&pb.Harm{HarmId: "report"}, "harm.harm_id"},
		"id in capitals":       {&pb.Harm{HarmId: "H2"}, "harm.harm_id"},
		"nobody of that name":  {&pb.Harm{Person: "people/nobody"}, "harm.person"},
		"a history":            {&pb.Harm{OutcomeHistory: []*pb.OutcomeChange{{Outcome: 2}, {Outcome: 3}}}, "harm.outcome_history"},
		"away before":          {&pb.Harm{Absences: []*pb.Absence{{FirstDate: "2026-02-22"}}}, "harm.absences[0].first_date"},
		"band nobody knows":    {&pb.Harm{AgeBand: 40}, "harm.age_band"},
		"death date, no death": {&pb.Harm{DeathDate: "2026-02-24"}, "harm.death_date"},
		"value and no value":   {&pb.Harm{Description: "cut", Answers: map[string]pb.AnswerState{"description": notKnown}}, "harm.answers.description"},
	} {
		_, err := add(c.harm)
		require.Equal(t, codes.InvalidArgument, status.Code(err), "%s: %v", name, err)
		require.Equal(t, []string{c.field}, fields(err), name)
	}
	require.Equal(t, before, h.head())

	for range 49 {
		resp, err := add(&pb.Harm{Description: "one of many"})
		require.NoError(t, err)
		r = resp.Report
	}
	require.Equal(t, "h50", r.Harms[49].HarmId)
	_, err = add(&pb.Harm{})
	refused(t, err, "harm")
}

func TestRecordOutcome(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.file(injury(nil))
	outcome := func(c *pb.OutcomeChange, died string) (*pb.WriteReportResponse, error) {
		return call(adviser, h.RecordOutcome, &pb.RecordOutcomeRequest{Name: r.Name, Etag: r.Etag, HarmId: "h1", Change: c, DeathDate: died})
	}
	resp, err := outcome(&pb.OutcomeChange{Outcome: pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, EffectiveDate: "2026-02-25", Reason: "did not come in"}, "")
	require.NoError(t, err)
	r = resp.Report
	require.Equal(t, pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, r.Harms[0].Outcome)
	require.Equal(t, "did not come in", r.ChangeReason)
	require.Equal(t, "principals/adviser", r.Harms[0].OutcomeHistory[1].Recorder)
	require.Equal(t, now, r.Harms[0].OutcomeHistory[1].RecordTime.AsTime())

	before := h.head()
	resp, err = outcome(&pb.OutcomeChange{Outcome: pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, EffectiveDate: "2026-02-25", Reason: "again"}, "")
	require.NoError(t, err)
	require.Equal(t, before, h.head(), "it stood so already")

	resp, err = outcome(&pb.OutcomeChange{Outcome: pb.OutcomeClass_OUTCOME_CLASS_DEATH}, "2026-03-01")
	require.NoError(t, err)
	r = resp.Report
	require.Equal(t, "2026-03-01", r.Harms[0].DeathDate)
	// It was another person: the history keeps the error, the case is put right.
	resp, err = outcome(&pb.OutcomeChange{Outcome: pb.OutcomeClass_OUTCOME_CLASS_FIRST_AID, Reason: "mistaken for another case"}, "")
	require.NoError(t, err)
	r = resp.Report
	require.Empty(t, r.Harms[0].DeathDate)
	require.Equal(t, pb.OutcomeClass_OUTCOME_CLASS_FIRST_AID, r.Harms[0].Outcome)
	require.Len(t, r.Harms[0].OutcomeHistory, 4, "nothing is removed")

	before = h.head()
	for name, c := range map[string]struct {
		req   *pb.RecordOutcomeRequest
		code  codes.Code
		field string
	}{
		"nothing":                {&pb.RecordOutcomeRequest{Name: r.Name, Etag: r.Etag, HarmId: "h1"}, codes.InvalidArgument, "change"},
		"no outcome":             {&pb.RecordOutcomeRequest{Name: r.Name, Etag: r.Etag, HarmId: "h1", Change: &pb.OutcomeChange{}}, codes.InvalidArgument, "change.outcome"},
		"no such harm":           {&pb.RecordOutcomeRequest{Name: r.Name, Etag: r.Etag, HarmId: "h7", Change: &pb.OutcomeChange{Outcome: 2}}, codes.NotFound, ""},
		"harm in words":          {&pb.RecordOutcomeRequest{Name: r.Name, Etag: r.Etag, HarmId: "Harm 1", Change: &pb.OutcomeChange{Outcome: 2}}, codes.InvalidArgument, "harm_id"},
		"not there":              {&pb.RecordOutcomeRequest{Name: "reports/" + someUUID, Etag: r.Etag, HarmId: "h1", Change: &pb.OutcomeChange{Outcome: 2}}, codes.NotFound, ""},
		"old etag":               {&pb.RecordOutcomeRequest{Name: r.Name, Etag: "r1", HarmId: "h1", Change: &pb.OutcomeChange{Outcome: 2}}, codes.Aborted, ""},
		"before the event":       {&pb.RecordOutcomeRequest{Name: r.Name, Etag: r.Etag, HarmId: "h1", Change: &pb.OutcomeChange{Outcome: 2, EffectiveDate: "2026-02-20"}}, codes.InvalidArgument, "change.effective_date"},
		"tomorrow":               {&pb.RecordOutcomeRequest{Name: r.Name, Etag: r.Etag, HarmId: "h1", Change: &pb.OutcomeChange{Outcome: 3, EffectiveDate: "2026-03-05"}}, codes.InvalidArgument, "change.effective_date"},
		"death date, no death":   {&pb.RecordOutcomeRequest{Name: r.Name, Etag: r.Etag, HarmId: "h1", Change: &pb.OutcomeChange{Outcome: 3}, DeathDate: "2026-03-01"}, codes.InvalidArgument, "death_date"},
		"death on no day":        {&pb.RecordOutcomeRequest{Name: r.Name, Etag: r.Etag, HarmId: "h1", Change: &pb.OutcomeChange{Outcome: 7}, DeathDate: "2026-02-30"}, codes.InvalidArgument, "death_date"},
		"death before the event": {&pb.RecordOutcomeRequest{Name: r.Name, Etag: r.Etag, HarmId: "h1", Change: &pb.OutcomeChange{Outcome: 7}, DeathDate: "2026-02-01"}, codes.InvalidArgument, "death_date"},
		"reason too long":        {&pb.RecordOutcomeRequest{Name: r.Name, Etag: r.Etag, HarmId: "h1", Change: &pb.OutcomeChange{Outcome: 3, Reason: strings.Repeat("x", 1001)}}, codes.InvalidArgument, "change.reason"},
	} {
		_, err := call(adviser, h.RecordOutcome, c.req)
		require.Equal(t, c.code, status.Code(err), "%s: %v", name, err)
		if c.field != "" {
			require.Equal(t, []string{c.field}, fields(err), name)
		}
	}
	require.Equal(t, before, h.head())

	for i := len(r.Harms[0].OutcomeHistory); i < 100; i++ {
		resp, err := outcome(&pb.OutcomeChange{Outcome: pb.OutcomeClass(3 - i%2)}, "")
		require.NoError(t, err)
		r = resp.Report
	}
	_, err = outcome(&pb.OutcomeChange{Outcome: pb.OutcomeClass_OUTCOME_CLASS_RESTRICTED_WORK}, "")
	refused(t, err, "change")
}

func TestRecordAbsence(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	r := h.file(injury(func(_ *pb.Report, one *pb.Harm) {
		one.Answers = map[string]pb.AnswerState{"absences": notApply}
	}))
	absence := func(a *pb.Absence, duties bool) (*pb.WriteReportResponse, error) {
		return call(supervisor, h.RecordAbsence, &pb.RecordAbsenceRequest{Name: r.Name, Etag: r.Etag, HarmId: "h1", Absence: a, RestrictedDuties: duties})
	}
	resp, err := absence(&pb.Absence{FirstDate: "2026-02-26"}, true)
	require.NoError(t, err)
	r = resp.Report
	require.Equal(t, pb.OutcomeClass_OUTCOME_CLASS_RESTRICTED_WORK, r.Harms[0].Outcome)
	require.Equal(t, notApply, r.Harms[0].Answers["absences"])
	resp, err = absence(&pb.Absence{FirstDate: "2026-02-25"}, false)
	require.NoError(t, err)
	r = resp.Report
	require.Equal(t, pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, r.Harms[0].Outcome)
	require.Empty(t, r.Harms[0].Answers)

	// Back: the period with the same first day is replaced, and an earlier one
	// is put in its place.
	resp, err = absence(&pb.Absence{FirstDate: "2026-02-25", ReturnDate: "2026-02-27", RosteredDays: proto.Int32(2)}, false)
	require.NoError(t, err)
	r = resp.Report
	resp, err = absence(&pb.Absence{FirstDate: "2026-02-24", ReturnDate: "2026-02-25"}, false)
	require.NoError(t, err)
	r = resp.Report
	require.Len(t, r.Harms[0].Absences, 2)
	require.Equal(t, "2026-02-24", r.Harms[0].Absences[0].FirstDate)
	before := h.head()
	_, err = absence(&pb.Absence{FirstDate: "2026-02-24", ReturnDate: "2026-02-25"}, false)
	require.NoError(t, err)
	require.Equal(t, before, h.head(), "it stood so already")

	for name, c := range map[string]struct {
		a      *pb.Absence
		fields []string
	}{
		"nothing":              {nil, []string{"absence"}},
		"no day":               {&pb.Absence{}, []string{"absence.first_date"}},
		"a day in words":       {&pb.Absence{FirstDate: "Monday"}, []string{"absence.first_date"}},
		"on no day":            {&pb.Absence{FirstDate: "2026-02-30"}, []string{"absence.first_date"}},
		"before the event":     {&pb.Absence{FirstDate: "2026-02-20"}, []string{"absence.first_date"}},
		"tomorrow":             {&pb.Absence{FirstDate: "2026-03-05"}, []string{"absence.first_date"}},
		"back before":          {&pb.Absence{FirstDate: "2026-03-02", ReturnDate: "2026-03-01"}, []string{"absence.return_date"}},
		"overlaps the later":   {&pb.Absence{FirstDate: "2026-02-24", ReturnDate: "2026-02-26"}, []string{"absence.first_date"}},
		"overlaps the earlier": {&pb.Absence{FirstDate: "2026-02-26", ReturnDate: "2026-02-28"}, []string{"absence.first_date"}},
		"open before another":  {&pb.Absence{FirstDate: "2026-02-24"}, []string{"absence.first_date"}},
		"shifts over days":     {&pb.Absence{FirstDate: "2026-03-02", ReturnDate: "2026-03-03", RosteredDays: proto.Int32(2)}, []string{"absence.rostered_days"}},
		"shifts below nothing": {&pb.Absence{FirstDate: "2026-03-02", ReturnDate: "2026-03-03", RosteredDays: proto.Int32(-1)}, []string{"absence.rostered_days"}},
	} {
		_, err := absence(c.a, false)
		require.Equal(t, codes.InvalidArgument, status.Code(err), "%s: %v", name, err)
		require.Equal(t, c.fields, fields(err), name)
	}
	for name, req := range map[codes.Code]*pb.RecordAbsenceRequest{
		codes.NotFound: {Name: r.Name, Etag: r.Etag, HarmId: "h2", Absence: &pb.Absence{FirstDate: "2026-03-02"}},
		codes.Aborted:  {Name: r.Name, Etag: "r1", HarmId: "h1", Absence: &pb.Absence{FirstDate: "2026-03-02"}},
	} {
		_, err := call(supervisor, h.RecordAbsence, req)
		require.Equal(t, name, status.Code(err))
	}
	require.Equal(t, before, h.head())
}
