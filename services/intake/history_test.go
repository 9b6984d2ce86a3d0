package intake_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// code writes a coding as its own room would.
func (h *house) code(c *pb.Coding, verb string) {
	h.t.Helper()
	_, err := h.log.Write(context.Background(), ledger.Request{Actor: "principals/adviser"}, func(ctx context.Context, tx ledger.Tx) error {
		p, err := record.Put(c, c.Name, record.KindCoding, verb, ledger.Any)
		if err != nil {
			return err
		}
		_, err = tx.Put(ctx, p)
		return err
	})
	require.NoError(h.t, err)
}

func TestHistory(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	resp, err := call(worker, h.FileReport, &pb.FileReportRequest{Report: injury(nil), Teller: &pb.Teller{DisplayName: "Wren"}})
	require.NoError(t, err)
	r := resp.Report
	amended, err := call(adviser, h.UpdateReport, amend(r, func(r *pb.Report) {
		r.Spot, r.Release = "bay 3", &pb.Release{Substance: "oil"}
	}))
	require.NoError(t, err)
	one := proto.Clone(amended.Report.Harms[0]).(*pb.Harm)
	one.Treatment = pb.Treatment_TREATMENT_IN_PATIENT
	amended, err = call(adviser, h.UpdateReport, amend(amended.Report, func(r *pb.Report) {
		r.Harms, r.Release = []*pb.Harm{one}, &pb.Release{Substance: "hydraulic oil"}
	}))
	require.NoError(t, err)
	h.code(&pb.Coding{Name: r.Name + "/codings/h1", HarmId: "h1", Mechanism: "21", Nature: "31"}, record.VerbCode)
	h.code(&pb.Coding{Name: r.Name + "/codings/h1", HarmId: "h1", Mechanism: "22", Nature: "31"}, record.VerbCode)
	added, err := call(adviser, h.AddHarm, &pb.AddHarmRequest{Name: r.Name, Etag: amended.Report.Etag, Harm: &pb.Harm{}})
	require.NoError(t, err)
	outcome, err := call(adviser, h.RecordOutcome, &pb.RecordOutcomeRequest{Name: r.Name, Etag: added.Report.Etag, HarmId: "h1",
		Change: &pb.OutcomeChange{Outcome: pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, Reason: "did not come in"}})
	require.NoError(t, err)
	_, err = call(adviser, h.VoidReport, &pb.VoidReportRequest{Name: r.Name, Etag: outcome.Report.Etag, Reason: "told twice"})
	require.NoError(t, err)
	// Another report whose name begins alike is not part of it.
	h.file(nearMiss(nil))

	list, err := call(adviser, h.ListReportHistory, &pb.ListReportHistoryRequest{Name: r.Name})
	require.NoError(t, err)
	type entry struct{ verb, actor, reason, fields string }
	var got []entry
	last := int64(0)
	for _, e := range list.Entries {
		require.Greater(t, e.SequenceNumber, last)
		last = e.SequenceNumber
		require.Len(t, e.Hash, 64)
		got = append(got, entry{e.Verb, strings.TrimPrefix(e.Actor, "principals/"), e.Reason, strings.Join(e.ChangedFields, " ")})
	}
	require.Equal(t, []entry{
		{"file", "worker", "", "kind workplace narrative occur_time teller_mode harms.h1 state"},
		{"file", "worker", "", "teller"},
		{"amend", "adviser", "asked the crew again", "spot release"},
		{"amend", "adviser", "asked the crew again", "harms.h1.treatment release.substance"},
		{"code", "adviser", "", "codings.h1.nature codings.h1.mechanism"},
		{"code", "adviser", "", "codings.h1.mechanism"},
		{"add-harm", "adviser", "", "harms.h2"},
		{"record-outcome", "adviser", "did not come in", "harms.h1.outcome harms.h1.outcome_history"},
		{"void", "adviser", "told twice", "state void_reason"},
	}, got)
	text := list.String()
	for _, said := range []string{"Wren", "oil", "bay 3", "forearm"} {
		require.NotContains(t, text, said, "which fields, never what they say")
	}

	seen := func(ctx context.Context) (verbs []string, actors string) {
		list, err := call(ctx, h.ListReportHistory, &pb.ListReportHistoryRequest{Name: r.Name})
		require.NoError(t, err)
		for _, e := range list.Entries {
			verbs, actors = append(verbs, e.Verb), actors+e.Actor
		}
		return verbs, actors
	}
	verbs, actors := seen(supervisor)
	require.NotContains(t, verbs, "code", "a supervisor does not read codes")
	require.NotEmpty(t, actors)
	verbs, actors = seen(auditor)
	require.Contains(t, verbs, "code")
	require.Empty(t, actors)

	_, err = call(adviser, h.ListReportHistory, &pb.ListReportHistoryRequest{Name: "reports/" + someUUID})
	require.Equal(t, codes.NotFound, status.Code(err))
	_, err = call(adviser, h.ListReportHistory, &pb.ListReportHistoryRequest{})
	refused(t, err, "name")
}

func TestHistoryHidesWhoTold(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for mode, c := range map[pb.TellerMode]struct{ actor, clock string }{
		pb.TellerMode_TELLER_MODE_NAMED:        {"principals/worker", "2026-03-04T05:00:00Z"},
		pb.TellerMode_TELLER_MODE_CONFIDENTIAL: {"", "2026-03-04T05:00:00Z"},
		pb.TellerMode_TELLER_MODE_ANONYMOUS:    {"", "2026-03-03T13:00:00Z"},
	} {
		r := h.file(nearMiss(func(r *pb.Report) { r.TellerMode = mode }))
		_, err := call(adviser, h.UpdateReport, amend(r, func(r *pb.Report) { r.Spot = "x" }))
		require.NoError(t, err)
		list, err := call(adviser, h.ListReportHistory, &pb.ListReportHistoryRequest{Name: r.Name})
		require.NoError(t, err)
		require.Len(t, list.Entries, 2)
		require.Equal(t, c.actor, list.Entries[0].Actor, mode)
		require.Equal(t, at(c.clock).AsTime(), list.Entries[0].ChangeTime.AsTime().Truncate(time.Second), mode)
		require.Equal(t, "principals/adviser", list.Entries[1].Actor, mode)
	}
}

func TestGetTeller(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	file := func(mode pb.TellerMode, teller *pb.Teller) string {
		resp, err := call(worker, h.FileReport, &pb.FileReportRequest{Teller: teller, Report: nearMiss(func(r *pb.Report) { r.TellerMode = mode })})
		require.NoError(t, err)
		return resp.Report.Name
	}
	wren := &pb.Teller{Name: "reports/x/teller", DisplayName: "Wren", Contact: "crew radio 4", Person: hurtOne}
	named := file(pb.TellerMode_TELLER_MODE_NAMED, wren)
	confidential := file(pb.TellerMode_TELLER_MODE_CONFIDENTIAL, wren)
	nobody := file(pb.TellerMode_TELLER_MODE_CONFIDENTIAL, nil)
	anonymous := file(pb.TellerMode_TELLER_MODE_ANONYMOUS, nil)
	open := func(ctx context.Context, report, reason string) (*pb.Teller, error) {
		return call(ctx, h.GetTeller, &pb.GetTellerRequest{Name: report + "/teller", Reason: reason})
	}
	const why = "the crew lead asked for a call back"

	before := h.head()
	got, err := open(supervisor, named, "")
	require.NoError(t, err)
	require.Equal(t, "Wren", got.DisplayName)
	require.Equal(t, named+"/teller", got.Name, "the name is ours, not the caller's")
	require.Equal(t, before, h.head(), "told openly: nothing to record")

	for name, c := range map[string]struct {
		ctx            context.Context
		report, reason string
		code           codes.Code
	}{
		"supervisor, confidential":        {supervisor, confidential, why, codes.PermissionDenied},
		"supervisor, nobody there":        {supervisor, nobody, why, codes.PermissionDenied},
		"representative, named":           {representative, named, why, codes.PermissionDenied},
		"auditor, named":                  {auditor, named, why, codes.PermissionDenied},
		"adviser without a reason":        {adviser, confidential, "", codes.InvalidArgument},
		"adviser with too short a reason": {adviser, confidential, " because ", codes.InvalidArgument},
		"reason too long":                 {adviser, confidential, strings.Repeat("x", 1001), codes.InvalidArgument},
		"nobody gave a name":              {adviser, nobody, why, codes.NotFound},
		"anonymous":                       {adviser, anonymous, why, codes.NotFound},
		"supervisor elsewhere":            {as(pb.Role_ROLE_SUPERVISOR, quarry), named, "", codes.NotFound},
		"not there":                       {adviser, "reports/" + someUUID, why, codes.NotFound},
		"not a teller":                    {adviser, "reports", why, codes.InvalidArgument},
	} {
		_, err := open(c.ctx, c.report, c.reason)
		require.Equal(t, c.code, status.Code(err), "%s: %v", name, err)
		require.NotContains(t, err.Error(), "Wren")
	}
	require.Equal(t, before, h.head())

	got, err = open(adviser, confidential, why)
	require.NoError(t, err)
	require.Equal(t, "crew radio 4", got.Contact)
	_, err = open(adviser, confidential, why+" again")
	require.NoError(t, err)
	require.Equal(t, before+2, h.head(), "each opening is recorded")

	list, err := call(adviser, h.ListReportHistory, &pb.ListReportHistoryRequest{Name: confidential})
	require.NoError(t, err)
	require.Len(t, list.Entries, 4)
	require.Equal(t, "open-teller", list.Entries[2].Verb)
	require.Equal(t, why, list.Entries[2].Reason)
	require.Equal(t, "principals/adviser", list.Entries[2].Actor)
	// Others see that it was opened, not why.
	list, err = call(supervisor, h.ListReportHistory, &pb.ListReportHistoryRequest{Name: confidential})
	require.NoError(t, err)
	require.Empty(t, list.Entries[2].Reason)
	require.NotContains(t, list.String(), "Wren")
}
