package server

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/reflect/protoregistry"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
)

func TestBadJSON(t *testing.T) {
	t.Parallel()
	codec := newJSONCodec(protoregistry.GlobalTypes)
	for name, c := range map[string]struct{ body, field, words string }{
		"empty":            {"  ", "", "the body is empty"},
		"torn":             {`{"report": {"kind": `, "", "not whole"},
		"torn at a place":  {"{\n  \"report\": {\n    kind: 1}}", "", "line 3, column 5"},
		"a list":           {`[1]`, "", "must be a JSON object"},
		"a word":           {`"report"`, "", "must be a JSON object"},
		"null":             {`null`, "", "must be a JSON object"},
		"unknown at top":   {`{"raport": {}}`, "raport", "is not a field here"},
		"unknown below":    {`{"report": {"kind": 1, "spott": "x"}}`, "report.spott", "(line 1, column 24)"},
		"words as a name":  {`{"report": {"he fell off the truck": 1}}`, "report.…", "is not a field here"},
		"twice":            {`{"report": {"spot": "a", "spot": "b"}}`, "report.spot", "is given twice"},
		"twice, two names": {`{"requestId": "a", "request_id": "b"}`, "request_id", "is given twice"},
		"number for text":  {`{"report": {"narrative": 5}}`, "report.narrative", "must be text in double quotes"},
		"text for number":  {`{"report": {"harms": [{}, {"absences": [{"rosteredDays": "many"}]}]}}`, "report.harms[1].absences[0].rosteredDays", "must be a whole number"},
		"fraction":         {`{"report": {"harms": [{"absences": [{"rosteredDays": 1.5}]}]}}`, "report.harms[0].absences[0].rosteredDays", "must be a whole number"},
		"too large":        {`{"report": {"harms": [{"absences": [{"rosteredDays": 99999999999}]}]}}`, "report.harms[0].absences[0].rosteredDays", "must be a whole number"},
		"text for yes":     {`{"validateOnly": "yes"}`, "validateOnly", "must be true or false"},
		"no such kind":     {`{"report": {"kind": "ACCIDENT"}}`, "report.kind", "REPORT_KIND_HAZARD, REPORT_KIND_NEAR_MISS"},
		"text for object":  {`{"report": "it fell"}`, "report", "must be an object in braces"},
		"object for list":  {`{"report": {"harms": {}}}`, "report.harms", "must be a list in square brackets"},
		"text in list":     {`{"report": {"harms": ["x"]}}`, "report.harms[0]", "must be an object in braces"},
		"no time":          {`{"report": {"occurTime": "yesterday"}}`, "report.occurTime", "must be a time such as"},
		"no number":        {`{"report": {"release": {"quantity": "a lot"}}}`, "report.release.quantity", "must be a number"},
		"no state":         {`{"report": {"answers": {"spot": "PERHAPS"}}}`, "report.answers.spot", "ANSWER_STATE_NOT_KNOWN"},
		"not UTF-8":        {"{\"report\": {\"spot\": \"\xff\"}}", "", "not UTF-8"},
		"half a pair":      {`{"report": {"spot": "\ud800"}}`, "", `broken \u escape`},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			err := codec.Unmarshal([]byte(c.body), &pb.FileReportRequest{})
			require.Error(t, err)
			require.NotContains(t, err.Error(), "fell")
			require.NotContains(t, err.Error(), "yesterday")
			var field, words string
			for _, d := range asDetails(t, err) {
				field, words = d.GetField(), d.GetDescription()
			}
			require.Equal(t, c.field, field)
			require.Contains(t, words, c.words)
		})
	}
	require.NoError(t, codec.Unmarshal([]byte(`{"report": {"narrative": "\u00e5", "occurTime": "2026-03-04T05:00:00Z"}}`), &pb.FileReportRequest{}))
}

// asDetails reads the violations out of what the transcoder is handed.
func asDetails(t *testing.T, err error) []*errdetails.BadRequest_FieldViolation {
	t.Helper()
	ce := asConnect(status.Error(0, ""))
	require.ErrorAs(t, err, &ce)
	var out []*errdetails.BadRequest_FieldViolation
	domain := ""
	for _, d := range ce.Details() {
		v, err := d.Value()
		require.NoError(t, err)
		switch v := v.(type) {
		case *errdetails.ErrorInfo:
			domain = v.GetDomain()
		case *errdetails.BadRequest:
			out = v.GetFieldViolations()
		}
	}
	require.Equal(t, fault.Domain, domain)
	return out
}

// FuzzBadJSON wants a place and words for whatever is no request, and no panic.
func FuzzBadJSON(f *testing.F) {
	codec := newJSONCodec(protoregistry.GlobalTypes)
	for _, seed := range []string{`{"report": {"harms": [{}, {"absences": [{"rosteredDays": "many"}]}]}}`, `{"a":[[{"b":`, `[[[]]]`, "{\"\xff\":1}", `{"report":{"answers":{"":1,"":2}}}`} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		if err := codec.Unmarshal(body, &pb.FileReportRequest{}); err != nil {
			vs := asDetails(t, err)
			require.Len(t, vs, 1)
			require.NotEmpty(t, vs[0].GetDescription())
		}
	})
}
