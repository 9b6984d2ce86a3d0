package intake_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/facts"
	"fairlead/services/harm"
)

// told is what the model remembers of one report: the request it was filed
// with, the report as it stands, and how many changes it had.
type told struct {
	filed   *pb.FileReportRequest
	first   *pb.FileReportResponse
	now     *pb.Report
	changes int
}

// TestWhateverHappens does random things to reports, right and wrong, and holds
// the room against a model: what is refused writes nothing, what is taken is
// there, a replay is answered as the first time, the class of every harm is
// what its history and absences make of it, and the history has one entry for
// each change.
func TestWhateverHappens(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	event := harm.Date(2026, time.February, 23)
	rapid.Check(t, func(rt *rapid.T) {
		var all []*told
		day := func(what string) string { return (event + harm.Day(rapid.IntRange(-1, 12).Draw(rt, what))).String() }
		some := func() *told {
			if len(all) == 0 {
				rt.Skip("nothing was told yet")
			}
			return rapid.SampledFrom(all).Draw(rt, "report")
		}
		// settle takes what a change answered into the model.
		settle := func(o *told, before int64, resp *pb.WriteReportResponse, err error) {
			if err != nil {
				c := status.Code(err)
				if c != codes.InvalidArgument && c != codes.Aborted && c != codes.FailedPrecondition {
					rt.Fatalf("%v", err)
				}
				if h.head() != before {
					rt.Fatalf("a refusal wrote: %v", err)
				}
				return
			}
			if h.head() > before {
				o.changes++
				o.now = resp.Report
			} else if !proto.Equal(o.now, resp.Report) {
				rt.Fatalf("nothing was written, but the answer is another")
			}
		}
		// etag is at times that of a state long gone.
		etag := func(o *told) string {
			if rapid.IntRange(0, 9).Draw(rt, "stale") == 0 {
				return "r999"
			}
			return o.now.Etag
		}
		rt.Repeat(map[string]func(*rapid.T){
			"file": func(*rapid.T) {
				mode := pb.TellerMode(rapid.IntRange(0, 3).Draw(rt, "mode"))
				req := &pb.FileReportRequest{RequestId: uuid.NewString(), Report: injury(func(r *pb.Report, one *pb.Harm) {
					r.TellerMode, r.Name = mode, "reports/"+uuid.NewString()
					one.OutcomeHistory[0].Outcome = pb.OutcomeClass(rapid.IntRange(1, 7).Draw(rt, "outcome"))
				})}
				resp, err := call(worker, h.FileReport, req)
				require.NoError(rt, err)
				all = append(all, &told{filed: req, first: resp, now: resp.Report, changes: 1})
			},
			"file again": func(*rapid.T) {
				o, before := some(), h.head()
				req := proto.Clone(o.filed).(*pb.FileReportRequest)
				if rapid.Bool().Draw(rt, "another request") {
					req.RequestId = uuid.NewString()
				}
				resp, err := call(worker, h.FileReport, req)
				require.NoError(rt, err)
				require.True(rt, proto.Equal(o.first.Report, resp.Report), "as the first time")
				require.Equal(rt, before, h.head())
			},
			"amend": func(*rapid.T) {
				o, before := some(), h.head()
				resp, err := call(adviser, h.UpdateReport, amend(o.now, func(r *pb.Report) {
					r.Etag, r.Spot = etag(o), fmt.Sprint("bay ", rapid.IntRange(1, 3).Draw(rt, "bay"))
				}))
				settle(o, before, resp, err)
			},
			"outcome": func(*rapid.T) {
				o, before := some(), h.head()
				resp, err := call(adviser, h.RecordOutcome, &pb.RecordOutcomeRequest{Name: o.now.Name, Etag: etag(o), HarmId: "h1",
					Change: &pb.OutcomeChange{Outcome: pb.OutcomeClass(rapid.IntRange(0, 7).Draw(rt, "outcome")), EffectiveDate: day("from")}})
				settle(o, before, resp, err)
			},
			"absence": func(*rapid.T) {
				o, before := some(), h.head()
				a := &pb.Absence{FirstDate: day("first")}
				if rapid.Bool().Draw(rt, "back") {
					a.ReturnDate = day("return")
				}
				resp, err := call(adviser, h.RecordAbsence, &pb.RecordAbsenceRequest{Name: o.now.Name, Etag: etag(o), HarmId: "h1",
					Absence: a, RestrictedDuties: rapid.Bool().Draw(rt, "duties")})
				settle(o, before, resp, err)
			},
			"void": func(*rapid.T) {
				if rapid.IntRange(0, 4).Draw(rt, "really") > 0 {
					return
				}
				o, before := some(), h.head()
				resp, err := call(adviser, h.VoidReport, &pb.VoidReportRequest{Name: o.now.Name, Etag: etag(o), Reason: "drawn by lot"})
				settle(o, before, resp, err)
			},
			"": func(*rapid.T) {
				for _, o := range all {
					got, err := call(adviser, h.GetReport, &pb.GetReportRequest{Name: o.now.Name})
					require.NoError(rt, err)
					require.True(rt, proto.Equal(o.now, got), "want %v\ngot  %v", o.now, got)
					for _, one := range got.Harms {
						require.Equal(rt, harm.Outcome(one, event), one.Outcome)
					}
				}
			},
		})
		for _, o := range all {
			list, err := call(adviser, h.ListReportHistory, &pb.ListReportHistoryRequest{Name: o.now.Name})
			require.NoError(rt, err)
			require.Len(rt, list.Entries, o.changes)
		}
	})

	// The log is sound, and figures made from it afresh are those that followed.
	ctx := context.Background()
	report, err := h.log.Verify(ctx)
	require.NoError(t, err)
	require.Empty(t, report.Problems)
	require.NoError(t, h.facts.Wait(ctx, h.head()))
	fresh := facts.New(h.log, h.tree, nil)
	require.NoError(t, fresh.CatchUp(ctx))
	_, followed, err := h.facts.Digest()
	require.NoError(t, err)
	_, rebuilt, err := fresh.Digest()
	require.NoError(t, err)
	require.Equal(t, followed, rebuilt)
}
