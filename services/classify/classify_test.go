package classify_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"buf.build/go/protovalidate"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/classify"
	"fairlead/services/classify/toocs"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/record"
)

// noon is when the clock of these tests stands.
var noon = time.Date(2026, 3, 4, 1, 0, 0, 0, time.UTC)

const (
	adviser        = pb.Role_ROLE_ADVISER
	supervisor     = pb.Role_ROLE_SUPERVISOR
	representative = pb.Role_ROLE_REPRESENTATIVE
	auditor        = pb.Role_ROLE_AUDITOR
)

// tree is the tree of workplaces by its parents.
type tree map[string]string

func (t tree) Within(w, ancestor string) bool {
	for ; w != ""; w = t[w] {
		if w == ancestor {
			return true
		}
	}
	return false
}

type room struct {
	*classify.Service
	ledger *sqlite.Store
}

// Reports of these tests, by what they tell of.
const (
	nearMiss = "reports/00000001-0000-7000-8000-000000000000"
	oneHurt  = "reports/00000002-0000-7000-8000-000000000000"
	twoHurt  = "reports/00000003-0000-7000-8000-000000000000"
	notSure  = "reports/00000004-0000-7000-8000-000000000000"
	voided   = "reports/00000005-0000-7000-8000-000000000000"
	absent   = "reports/00000009-0000-7000-8000-000000000000"
)

func open(t *testing.T) *room {
	t.Helper()
	l, err := sqlite.Open(context.Background(), t.TempDir(), sqlite.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, l.Close()) })
	places := tree{"workplaces/northside": "workplaces/shire", "workplaces/quarry-road": "workplaces/shire"}
	r := &room{ledger: l, Service: classify.New(l, places, nil, classify.NewTables(toocs.Default()), func() time.Time { return noon })}
	for name, report := range map[string]*pb.Report{
		nearMiss: {Kind: pb.ReportKind_REPORT_KIND_NEAR_MISS, Workplace: "workplaces/northside"},
		oneHurt: {Kind: pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, Workplace: "workplaces/northside",
			Harms: []*pb.Harm{{HarmId: "h1"}}},
		twoHurt: {Kind: pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, Workplace: "workplaces/quarry-road",
			Harms: []*pb.Harm{{HarmId: "h1"}, {HarmId: "h2"}}},
		notSure: {Kind: pb.ReportKind_REPORT_KIND_NOT_SURE, Workplace: "workplaces/northside"},
		voided:  {Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside", State: pb.ReportState_REPORT_STATE_VOIDED},
	} {
		report.Name, report.Narrative = name, "A branch fell."
		r.put(t, report, name, record.KindReport)
	}
	return r
}

func (r *room) put(t *testing.T, m proto.Message, name, kind string) {
	t.Helper()
	_, err := r.ledger.Write(context.Background(), ledger.Request{Actor: "principals/test"}, func(ctx context.Context, tx ledger.Tx) error {
		p, err := record.Put(m, name, kind, record.VerbFile, ledger.Any)
		if err != nil {
			return err
		}
		_, err = tx.Put(ctx, p)
		return err
	})
	require.NoError(t, err)
}

// as is a context in which someone asks.
func as(name string, role pb.Role, scope ...string) context.Context {
	return access.With(context.Background(), access.Principal{Name: "principals/" + name, Roles: []pb.Role{role}, Workplaces: scope})
}

// assign asks as a client does: the rules of the contract come first.
func (r *room) assign(ctx context.Context, req *pb.AssignCodingRequest) (*pb.AssignCodingResponse, error) {
	if err := protovalidate.Validate(req); err != nil {
		return nil, err
	}
	return r.AssignCoding(ctx, req)
}

// violations returns what an error complains of, by field.
func violations(err error) map[string]string {
	out := map[string]string{}
	for _, d := range status.Convert(err).Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range br.GetFieldViolations() {
				out[v.GetField()] = v.GetDescription()
			}
		}
	}
	return out
}

func etagOf(err error) string {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetMetadata()["etag"]
		}
	}
	return ""
}

func TestAssign(t *testing.T) {
	t.Parallel()
	r := open(t)
	resp, err := r.assign(as("kim", adviser), &pb.AssignCodingRequest{Parent: oneHurt, Coding: &pb.Coding{
		HarmId: "h1", Nature: " 171 ", Mechanism: "28", Agency: "6369", Note: "The chipper threw it.", Coder: "principals/liar", Name: "reports/elsewhere",
		Answers: map[string]pb.AnswerState{"bodily_location": pb.AnswerState_ANSWER_STATE_NOT_KNOWN, "breakdown_agency": pb.AnswerState_ANSWER_STATE_NOT_ASKED},
	}})
	require.NoError(t, err)
	want := &pb.Coding{
		Name: oneHurt + "/codings/h1", HarmId: "h1", Edition: "TOOCS 3.1", Nature: "171", Mechanism: "28", Agency: "636",
		Origin: pb.CodingOrigin_CODING_ORIGIN_PERSON, Note: "The chipper threw it.", Coder: "principals/kim", CodeTime: timestamppb.New(noon), Etag: "r1",
		Answers: map[string]pb.AnswerState{"bodily_location": pb.AnswerState_ANSWER_STATE_NOT_KNOWN},
	}
	require.Empty(t, cmp.Diff(want, resp.GetCoding(), protocmp.Transform()))
	require.Positive(t, resp.GetSequenceNumber())
	var facets []pb.Facet
	for _, c := range resp.GetCodes() {
		facets = append(facets, c.GetFacet())
		require.NotEmpty(t, c.GetTitle())
		require.NotEmpty(t, c.GetPath())
		require.True(t, c.GetAssignable())
	}
	require.Equal(t, []pb.Facet{pb.Facet_FACET_NATURE, pb.Facet_FACET_MECHANISM, pb.Facet_FACET_AGENCY}, facets)
	require.Contains(t, resp.GetNotes(), "mechanism says what happened to the person, not what object was there")

	list, err := r.ListCodings(as("kim", adviser), &pb.ListCodingsRequest{Parent: oneHurt})
	require.NoError(t, err)
	require.Len(t, list.GetCodings(), 1)
	require.Empty(t, cmp.Diff(want, list.GetCodings()[0], protocmp.Transform()))
	require.Empty(t, cmp.Diff(resp.GetCodes(), list.GetCodes(), protocmp.Transform()))

	// The report itself knows nothing of it.
	res, err := r.ledger.Get(context.Background(), oneHurt)
	require.NoError(t, err)
	require.EqualValues(t, 1, res.Revision)
}

func TestNobodyHurt(t *testing.T) {
	t.Parallel()
	r := open(t)
	resp, err := r.assign(as("kim", adviser), &pb.AssignCodingRequest{Parent: nearMiss, Coding: &pb.Coding{Mechanism: "28", BreakdownAgency: "636"}})
	require.NoError(t, err)
	require.Equal(t, nearMiss+"/codings/report", resp.GetCoding().GetName())
	doesNotApply := pb.AnswerState_ANSWER_STATE_DOES_NOT_APPLY
	require.Equal(t, map[string]pb.AnswerState{"nature": doesNotApply, "bodily_location": doesNotApply, "agency": doesNotApply}, resp.GetCoding().GetAnswers())
	require.Contains(t, strings.Join(resp.GetNotes(), "\n"), "nobody was hurt")

	// Where someone may have been hurt, nothing is said for the coder.
	resp, err = r.assign(as("kim", adviser), &pb.AssignCodingRequest{Parent: notSure, Coding: &pb.Coding{Mechanism: "28", Nature: "171"}})
	require.NoError(t, err)
	require.Empty(t, resp.GetCoding().GetAnswers())
}

func TestEveryFacetGetsItsOwnCodes(t *testing.T) {
	t.Parallel()
	r := open(t)
	table := toocs.Default()
	field := map[toocs.Facet]string{toocs.NatureFacet: "nature", toocs.BodilyLocationFacet: "bodily_location", toocs.MechanismFacet: "mechanism",
		toocs.BreakdownAgencyFacet: "breakdown_agency", toocs.AgencyFacet: "agency"}
	for f, name := range field {
		given, stored := 0, 0
		for _, c := range table.Codes(f.List()) {
			coding := &pb.Coding{HarmId: "h1"}
			fd := coding.ProtoReflect().Descriptor().Fields().ByName(protoName(name))
			coding.ProtoReflect().Set(fd, protoText(c.Code))
			_, err := r.assign(as("kim", adviser), &pb.AssignCodingRequest{Parent: oneHurt, Coding: coding, ValidateOnly: true})
			given++
			if table.Assignable(f, c.Code) {
				stored++
				require.NoError(t, err, "%s %s", f, c)
				continue
			}
			text := violations(err)["coding."+name]
			require.Contains(t, text, "is a heading; give a code below it; such as: ", "%s %s", f, c)
		}
		require.Greater(t, stored, 50)
		require.Greater(t, given, stored)
	}
}

func TestRefusedCodesNameTheNearest(t *testing.T) {
	t.Parallel()
	r := open(t)
	for _, c := range []struct {
		name   string
		coding *pb.Coding
		field  string
		says   []string
		not    string
	}{
		{"lost zero", &pb.Coding{Mechanism: "1"}, "mechanism", []string{"1 (", "is a heading", "such as: 11 ", "01 "}, ""},
		{"unknown", &pb.Coding{Mechanism: "97"}, "mechanism", []string{"97 is not in the list of mechanism", "near it by number: ", "98 ", "99 "}, ""},
		{"another list", &pb.Coding{Mechanism: "6361"}, "mechanism", []string{"6361 is not in the list of mechanism"}, ""},
		{"code of another list", &pb.Coding{Mechanism: "636"}, "mechanism", []string{"636 is not in the list of mechanism; it is agency 636"}, ""},
		{"words", &pb.Coding{Mechanism: "hit by a falling branch, said Zebulon"}, "mechanism", []string{"give the code", "by its words: ", "28 Being hit by moving objects"}, "Zebulon"},
		{"code that is not what the words say", &pb.Coding{Mechanism: "11 being hit by a moving object, said Zebulon"}, "mechanism",
			[]string{"near it by number: 11 ", "by its words: ", "28 Being hit"}, "Zebulon"},
		{"nonsense", &pb.Coding{Agency: "qqqq xxxx"}, "agency", []string{"give the code", "Use a four-digit code"}, "qqqq"},
		{"nature heading", &pb.Coding{Nature: "A"}, "nature", []string{"is a heading"}, ""},
		{"two wrong at once", &pb.Coding{Nature: "A", BodilyLocation: "9999"}, "bodily_location", []string{"9999 is not in the list of bodily location"}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.coding.HarmId = "h1"
			_, err := r.assign(as("kim", adviser), &pb.AssignCodingRequest{Parent: oneHurt, Coding: c.coding})
			require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
			text := violations(err)["coding."+c.field]
			for _, s := range c.says {
				require.Contains(t, text, s)
			}
			if c.not != "" {
				require.NotContains(t, fmt.Sprint(status.Convert(err).Proto()), c.not)
			}
		})
	}
	list, err := r.ListCodings(as("kim", adviser), &pb.ListCodingsRequest{Parent: oneHurt})
	require.NoError(t, err)
	require.Empty(t, list.GetCodings(), "what is refused is not stored")
}

func TestAssignBadInput(t *testing.T) {
	t.Parallel()
	r := open(t)
	kim := as("kim", adviser)
	good := func() *pb.Coding { return &pb.Coding{HarmId: "h1", Mechanism: "28"} }
	with := func(change func(*pb.Coding)) *pb.Coding { c := good(); change(c); return c }
	for _, c := range []struct {
		name   string
		ctx    context.Context
		req    *pb.AssignCodingRequest
		code   codes.Code
		fields []string
	}{
		{"no coding", kim, &pb.AssignCodingRequest{Parent: oneHurt}, codes.InvalidArgument, []string{"coding"}},
		{"no code", kim, &pb.AssignCodingRequest{Parent: oneHurt, Coding: &pb.Coding{HarmId: "h1", Note: "not sure"}}, codes.InvalidArgument, []string{"coding"}},
		{"only spaces", kim, &pb.AssignCodingRequest{Parent: oneHurt, Coding: &pb.Coding{HarmId: "h1", Mechanism: "  "}}, codes.InvalidArgument, []string{"coding"}},
		{"report is not there", kim, &pb.AssignCodingRequest{Parent: absent, Coding: good()}, codes.NotFound, nil},
		{"no name of a report", kim, &pb.AssignCodingRequest{Parent: "reports/x", Coding: good()}, codes.NotFound, nil},
		{"report out of reach", as("kim", adviser, "workplaces/quarry-road"), &pb.AssignCodingRequest{Parent: oneHurt, Coding: good()}, codes.NotFound, nil},
		{"report was voided", kim, &pb.AssignCodingRequest{Parent: voided, Coding: &pb.Coding{Mechanism: "28"}}, codes.FailedPrecondition, nil},
		{"harm is not in the report", kim, &pb.AssignCodingRequest{Parent: oneHurt, Coding: with(func(c *pb.Coding) { c.HarmId = "h2" })}, codes.InvalidArgument, []string{"coding.harm_id"}},
		{"harm where nobody was hurt", kim, &pb.AssignCodingRequest{Parent: nearMiss, Coding: good()}, codes.InvalidArgument, []string{"coding.harm_id"}},
		{"nature where nobody was hurt", kim, &pb.AssignCodingRequest{Parent: nearMiss, Coding: &pb.Coding{Nature: "171", Agency: "636", BodilyLocation: "110"}},
			codes.InvalidArgument, []string{"coding.nature", "coding.agency", "coding.bodily_location"}},
		{"nature of which of two", kim, &pb.AssignCodingRequest{Parent: twoHurt, Coding: &pb.Coding{Nature: "171", Mechanism: "28"}}, codes.InvalidArgument, []string{"coding.nature"}},
		{"another edition", kim, &pb.AssignCodingRequest{Parent: oneHurt, Coding: with(func(c *pb.Coding) { c.Edition = "TOOCS 3.2" })}, codes.InvalidArgument, []string{"coding.edition"}},
		{"etag of nobody", kim, &pb.AssignCodingRequest{Parent: oneHurt, Coding: with(func(c *pb.Coding) { c.Etag = "W/7" })}, codes.InvalidArgument, []string{"coding.etag"}},
		{"etag of what is not there", kim, &pb.AssignCodingRequest{Parent: oneHurt, Coding: with(func(c *pb.Coding) { c.Etag = "r1" })}, codes.InvalidArgument, []string{"coding.etag"}},
		{"crosswalk from where", kim, &pb.AssignCodingRequest{Parent: oneHurt, Coding: with(func(c *pb.Coding) { c.Origin = pb.CodingOrigin_CODING_ORIGIN_CROSSWALK_REVIEWED })},
			codes.InvalidArgument, []string{"coding.source_codes"}},
		{"answer against its code", kim, &pb.AssignCodingRequest{Parent: oneHurt, Coding: with(func(c *pb.Coding) {
			c.Answers = map[string]pb.AnswerState{"mechanism": pb.AnswerState_ANSWER_STATE_NOT_KNOWN}
		})}, codes.InvalidArgument, []string{"coding.answers.mechanism"}},
		{"answer to what is not asked", kim, &pb.AssignCodingRequest{Parent: oneHurt, Coding: with(func(c *pb.Coding) {
			c.Answers = map[string]pb.AnswerState{"weather": pb.AnswerState_ANSWER_STATE_NOT_KNOWN}
		})}, codes.InvalidArgument, []string{"coding.answers.weather"}},
		{"all at once", kim, &pb.AssignCodingRequest{Parent: oneHurt, Coding: &pb.Coding{HarmId: "h7", Nature: "A", Agency: "0000", Etag: "x", Edition: "none"}},
			codes.InvalidArgument, []string{"coding.harm_id", "coding.nature", "coding.agency", "coding.etag", "coding.edition"}},
		{"supervisor", as("sam", supervisor), &pb.AssignCodingRequest{Parent: oneHurt, Coding: good()}, codes.PermissionDenied, nil},
		{"representative", as("rae", representative), &pb.AssignCodingRequest{Parent: absent, Coding: good()}, codes.PermissionDenied, nil},
		{"nobody", context.Background(), &pb.AssignCodingRequest{Parent: oneHurt, Coding: good()}, codes.PermissionDenied, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, check := range []bool{true, false} {
				c.req.ValidateOnly = check
				_, err := r.AssignCoding(c.ctx, c.req)
				require.Equal(t, c.code, status.Code(err), "check only: %v: %v", check, err)
				var fields []string
				for f, text := range violations(err) {
					fields = append(fields, f)
					require.NotEmpty(t, text)
				}
				require.ElementsMatch(t, c.fields, fields)
			}
		})
	}
	head, err := r.ledger.Head(context.Background())
	require.NoError(t, err)
	require.EqualValues(t, 5, head.Seq, "nothing was written")
}

// What the contract itself refuses never reaches the room.
func TestContractRules(t *testing.T) {
	t.Parallel()
	r := open(t)
	for name, req := range map[string]*pb.AssignCodingRequest{
		"no parent":      {Coding: &pb.Coding{Mechanism: "28"}},
		"long code":      {Parent: nearMiss, Coding: &pb.Coding{Mechanism: strings.Repeat("2", 65)}},
		"long note":      {Parent: nearMiss, Coding: &pb.Coding{Mechanism: "28", Note: strings.Repeat("n", 2001)}},
		"unknown origin": {Parent: nearMiss, Coding: &pb.Coding{Mechanism: "28", Origin: 9}},
		"unknown answer": {Parent: nearMiss, Coding: &pb.Coding{Mechanism: "28", Answers: map[string]pb.AnswerState{"nature": 9}}},
		"harm id":        {Parent: nearMiss, Coding: &pb.Coding{Mechanism: "28", HarmId: "../x"}},
		"request id":     {Parent: nearMiss, Coding: &pb.Coding{Mechanism: "28"}, RequestId: "again"},
	} {
		_, err := r.assign(as("kim", adviser), req)
		require.Error(t, err, name)
		require.NotPanics(t, func() { _, _ = r.AssignCoding(as("kim", adviser), req) }, name)
	}
}

func TestReplacing(t *testing.T) {
	t.Parallel()
	r := open(t)
	kim := as("kim", adviser)
	req := &pb.AssignCodingRequest{Parent: nearMiss, Coding: &pb.Coding{Mechanism: "28", Note: "first thoughts"}}
	first, err := r.assign(kim, req)
	require.NoError(t, err)

	req.Coding.Mechanism, req.Coding.Note = "11", ""
	_, err = r.assign(kim, req)
	require.Equal(t, codes.Aborted, status.Code(err), "a coding is never replaced unseen")
	require.Equal(t, first.GetCoding().GetEtag(), etagOf(err))

	req.Coding.Etag = first.GetCoding().GetEtag()
	req.ValidateOnly = true
	checked, err := r.assign(kim, req)
	require.NoError(t, err)
	require.Zero(t, checked.GetSequenceNumber())
	req.ValidateOnly = false
	second, err := r.assign(kim, req)
	require.NoError(t, err)
	require.NotEqual(t, first.GetCoding().GetEtag(), second.GetCoding().GetEtag())
	require.Equal(t, "11", second.GetCoding().GetMechanism())
	require.Empty(t, second.GetCoding().GetNote(), "a coding is replaced whole")

	_, err = r.assign(kim, req)
	require.Equal(t, codes.Aborted, status.Code(err), "the etag of before is stale")
}

func TestReplay(t *testing.T) {
	t.Parallel()
	r := open(t)
	kim := as("kim", adviser)
	req := &pb.AssignCodingRequest{Parent: nearMiss, Coding: &pb.Coding{Mechanism: "28", Blind: true},
		RequestId: "6f1e0f5e-9d3a-4b6b-8f57-1d7f4b0a9f01"}
	first, err := r.assign(kim, req)
	require.NoError(t, err)
	// The report is voided meanwhile; the replay is answered all the same.
	r.put(t, &pb.Report{Name: nearMiss, Kind: pb.ReportKind_REPORT_KIND_NEAR_MISS, Workplace: "workplaces/northside",
		State: pb.ReportState_REPORT_STATE_VOIDED}, nearMiss, record.KindReport)
	again, err := r.assign(kim, req)
	require.NoError(t, err)
	require.Empty(t, cmp.Diff(first, again, protocmp.Transform()))

	req.Coding.Mechanism = "11"
	_, err = r.assign(kim, req)
	require.Equal(t, codes.InvalidArgument, status.Code(err), "the same id for another request")
	require.Contains(t, violations(err), "request_id")
}

// A blind coder is told nothing of another's codes: not by the answer, not by
// a refusal, not by a check.
func TestBlind(t *testing.T) {
	t.Parallel()
	r := open(t)
	_, err := r.assign(as("kim", adviser), &pb.AssignCodingRequest{Parent: oneHurt, Coding: &pb.Coding{
		HarmId: "h1", Nature: "171", BodilyLocation: "110", Mechanism: "28", BreakdownAgency: "998", Agency: "636", Note: "The chipper threw it."}})
	require.NoError(t, err)
	secrets := []string{"171", "110", "28", "998", "636", "chipper", "kim"}
	blind := &pb.AssignCodingRequest{Parent: oneHurt, Coding: &pb.Coding{HarmId: "h1", Mechanism: "11", Blind: true}}
	silent := func(said string) {
		t.Helper()
		for _, s := range secrets {
			require.NotContains(t, said, s)
		}
	}
	_, err = r.assign(as("lee", adviser), blind)
	require.Equal(t, codes.Aborted, status.Code(err))
	silent(protojson.Format(status.Convert(err).Proto()))
	blind.Coding.Etag = etagOf(err)
	blind.ValidateOnly = true
	checked, err := r.assign(as("lee", adviser), blind)
	require.NoError(t, err)
	silent(strings.ReplaceAll(protojson.Format(checked.GetCoding())+strings.Join(checked.GetNotes(), " "), "28", ""))
	require.Len(t, checked.GetCodes(), 1)
	blind.ValidateOnly = false
	stored, err := r.assign(as("lee", adviser), blind)
	require.NoError(t, err)
	require.True(t, stored.GetCoding().GetBlind())
	require.Equal(t, "principals/lee", stored.GetCoding().GetCoder())
	require.Len(t, stored.GetCodes(), 1)

	// Who coded the case before cannot code it blind.
	blind.Coding.Etag = stored.GetCoding().GetEtag()
	_, err = r.assign(as("kim", adviser), blind)
	require.Contains(t, violations(err), "coding.blind")
	blind.Coding.Blind = false
	_, err = r.assign(as("kim", adviser), blind)
	require.NoError(t, err)
}

func TestListCodingsByRole(t *testing.T) {
	t.Parallel()
	r := open(t)
	_, err := r.assign(as("kim", adviser), &pb.AssignCodingRequest{Parent: twoHurt, Coding: &pb.Coding{HarmId: "h2", Mechanism: "28"}})
	require.NoError(t, err)
	_, err = r.assign(as("kim", adviser), &pb.AssignCodingRequest{Parent: twoHurt, Coding: &pb.Coding{HarmId: "h1", Mechanism: "28", Nature: "171"}})
	require.NoError(t, err)

	list, err := r.ListCodings(as("kim", adviser), &pb.ListCodingsRequest{Parent: twoHurt})
	require.NoError(t, err)
	require.Equal(t, twoHurt+"/codings/h1", list.GetCodings()[0].GetName())
	require.Equal(t, twoHurt+"/codings/h2", list.GetCodings()[1].GetName())
	require.Len(t, list.GetCodes(), 2, "each code once")
	require.Equal(t, "principals/kim", list.GetCodings()[0].GetCoder())

	list, err = r.ListCodings(as("ada", auditor), &pb.ListCodingsRequest{Parent: twoHurt})
	require.NoError(t, err)
	require.Len(t, list.GetCodings(), 2)
	require.Empty(t, list.GetCodings()[0].GetCoder(), "an auditor sees codes, and not who gave them")

	for _, role := range []pb.Role{pb.Role_ROLE_WORKER, supervisor, representative, pb.Role_ROLE_COMMITTEE, pb.Role_ROLE_ADMINISTRATOR, pb.Role_ROLE_INTEGRATION} {
		for _, name := range []string{twoHurt, absent} {
			_, err = r.ListCodings(as("x", role), &pb.ListCodingsRequest{Parent: name})
			require.Equal(t, codes.PermissionDenied, status.Code(err), "%v", role)
		}
	}
	for _, name := range []string{absent, "reports/x", ""} {
		_, err = r.ListCodings(as("kim", adviser), &pb.ListCodingsRequest{Parent: name})
		require.Equal(t, codes.NotFound, status.Code(err), name)
	}
	_, err = r.ListCodings(as("kim", adviser, "workplaces/northside"), &pb.ListCodingsRequest{Parent: twoHurt})
	require.Equal(t, codes.NotFound, status.Code(err), "out of reach and not there look the same")
	list, err = r.ListCodings(as("kim", adviser), &pb.ListCodingsRequest{Parent: nearMiss})
	require.NoError(t, err)
	require.Empty(t, list.GetCodings())
}

func TestNotesAreSourced(t *testing.T) {
	t.Parallel()
	r := open(t)
	notes := func(c *pb.Coding) string {
		c.HarmId = "h1"
		resp, err := r.assign(as("kim", adviser), &pb.AssignCodingRequest{Parent: oneHurt, Coding: c, ValidateOnly: true})
		require.NoError(t, err)
		return strings.Join(resp.GetNotes(), "\n")
	}
	require.Contains(t, notes(&pb.Coding{Nature: "961", BodilyLocation: "110"}), "seldom go together")
	require.NotContains(t, notes(&pb.Coding{Nature: "961", BodilyLocation: "900"}), "seldom go together")
	require.Contains(t, notes(&pb.Coding{Mechanism: "28"}), "A thing thrown by an explosion is 38")
	require.NotContains(t, notes(&pb.Coding{Agency: "636"}), "mechanism says")
	require.Contains(t, notes(&pb.Coding{Mechanism: "88"}), "official list")
	resp, err := r.assign(as("kim", adviser), &pb.AssignCodingRequest{Parent: oneHurt, Coding: &pb.Coding{Mechanism: "28"}, ValidateOnly: true})
	require.NoError(t, err)
	require.Contains(t, strings.Join(resp.GetNotes(), "\n"), "code each of them by harm_id")
}
