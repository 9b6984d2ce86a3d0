package intake_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

var lenient = protojson.UnmarshalOptions{DiscardUnknown: true}

// seed adds the JSON of a message.
func seed(f *testing.F, m proto.Message) {
	b, err := protojson.Marshal(m)
	require.NoError(f, err)
	f.Add(string(b))
}

// FuzzFileReport files whatever a tablet's queue may hold. Nothing panics; a
// refusal writes nothing; what is taken can be read, by name and by code, and
// filing it again writes nothing.
func FuzzFileReport(f *testing.F) {
	h := newHouse(f)
	seed(f, &pb.FileReportRequest{Report: nearMiss(func(r *pb.Report) { r.Name = "reports/" + someUUID }), RequestId: otherUUID})
	seed(f, &pb.FileReportRequest{Report: injury(func(r *pb.Report, one *pb.Harm) {
		one.Person, one.DeathDate = hurtOne, "2026-02-24"
		one.OutcomeHistory[0].Outcome = 7
		one.Absences = []*pb.Absence{{FirstDate: "2026-02-24", ReturnDate: "2026-02-26", RosteredDays: proto.Int32(2)}, {FirstDate: "2026-02-27"}}
		r.Answers = map[string]pb.AnswerState{"spot": notKnown}
	}), Teller: &pb.Teller{DisplayName: "Wren"}})
	seed(f, &pb.FileReportRequest{Report: nearMiss(func(r *pb.Report) {
		r.Kind, r.TellerMode, r.OccurPrecision, r.OccurEndTime = 5, 3, 4, r.OccurTime
		r.Release = &pb.Release{Substance: "diesel", Quantity: proto.Float64(3), QuantityUnit: "L", WaterReached: 2}
	})})
	f.Add(`{"report":{"kind":"REPORT_KIND_HAZARD","workplace":"workplaces/northside","narrative":"x","occurTime":"0001-01-01T00:00:00Z","occurPrecision":5}}`)
	f.Add(`{"report":{"kind":3,"workplace":"workplaces/northside","narrative":"x","occurTime":"9999-12-31T23:59:59Z","harms":[{},{},{"harmId":"h1"}]}}`)
	f.Fuzz(func(t *testing.T, text string) {
		h.t = t
		req := &pb.FileReportRequest{}
		if lenient.Unmarshal([]byte(text), req) != nil {
			return
		}
		before := h.head()
		resp, err := call(worker, h.FileReport, req)
		if err != nil {
			c := status.Code(err)
			require.True(t, c == codes.InvalidArgument || c == codes.AlreadyExists, "%v", err)
			require.Equal(t, before, h.head(), "a refusal writes nothing")
			return
		}
		if req.GetValidateOnly() {
			require.Equal(t, before, h.head())
			return
		}
		after := h.head()
		got, err := call(adviser, h.GetReport, &pb.GetReportRequest{Name: resp.Report.Name})
		require.NoError(t, err)
		byCode, err := call(adviser, h.GetReport, &pb.GetReportRequest{Name: "reports/" + strings.ToLower(resp.Report.ShortCode)})
		require.NoError(t, err)
		require.True(t, proto.Equal(got, byCode))
		require.Empty(t, rules(got), "what is kept keeps the contract")
		if req.GetReport().GetName() != "" {
			again, err := call(worker, h.FileReport, req)
			require.NoError(t, err)
			require.Equal(t, resp.Report.ShortCode, again.Report.ShortCode)
			require.Equal(t, after, h.head(), "a replay writes nothing")
		}
	})
}

// FuzzImportReports imports whatever a program may send. Nothing panics, every
// record has a result, a refusal says why, and the same batch again writes
// nothing.
func FuzzImportReports(f *testing.F) {
	h := newHouse(f)
	seed(f, &pb.ImportReportsRequest{Records: []*pb.ImportRecord{imported("1", nil), imported("1", nil), imported("2", func(r *pb.ImportRecord) {
		r.Report.Name = "reports/" + someUUID
		r.Report.Harms = []*pb.Harm{{Person: hurtOne}}
		r.Codings = []*pb.Coding{{HarmId: "h1", Mechanism: "21"}, {Mechanism: "0221"}}
	})}})
	f.Add(`{"records":[{},{"report":{}},{"report":{"origin":{}},"codings":[{}]}]}`)
	f.Fuzz(func(t *testing.T, text string) {
		h.t = t
		req := &pb.ImportReportsRequest{}
		if lenient.Unmarshal([]byte(text), req) != nil {
			return
		}
		before := h.head()
		resp, err := call(integration, h.ImportReports, req)
		if err != nil {
			require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
			require.Equal(t, before, h.head())
			return
		}
		require.Len(t, resp.Results, len(req.GetRecords()))
		for _, r := range resp.Results {
			require.Equal(t, r.Status == refusal, len(r.Violations) > 0)
			if r.Status == created && !req.GetValidateOnly() {
				got, err := call(adviser, h.GetReport, &pb.GetReportRequest{Name: r.Report})
				require.NoError(t, err)
				require.Empty(t, rules(got))
			}
		}
		after := h.head()
		_, err = call(integration, h.ImportReports, req)
		require.NoError(t, err)
		require.Equal(t, after, h.head(), "the same batch again writes nothing")
	})
}
