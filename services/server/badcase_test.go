package server_test

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/structpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/server/servertest"
)

// wrong is one thing that the rules of single fields cannot see.
type wrong struct {
	what   string
	change func(w *world, req proto.Message)
	code   codes.Code
	// field is the place that must be named, of a bad argument.
	field string
}

const nowhere = "00000000-0000-7000-8000-0000000fffff"

// edit makes a change of one type of request.
func edit[M proto.Message](change func(M)) func(*world, proto.Message) {
	return func(_ *world, req proto.Message) { change(req.(M)) }
}

const (
	invalid  = codes.InvalidArgument
	notFound = codes.NotFound
	stale    = codes.Aborted
	state    = codes.FailedPrecondition
)

// wrongs holds for every method what can be wrong beyond its single fields; an
// empty list says that nothing can.
var wrongs = map[string][]wrong{
	"AccessService.GetMyself": {},

	"SealedService.GetSealingKey": {},
	"SealedService.FileSealed": {
		{"nothing", edit(func(r *pb.FileSealedRequest) { proto.Reset(r) }), invalid, "ciphertext"},
		{"another key", edit(func(r *pb.FileSealedRequest) { r.KeyId = "0123456789abcdef" }), state, ""},
		{"torn", edit(func(r *pb.FileSealedRequest) { r.Ciphertext = r.Ciphertext[:40] }), invalid, "ciphertext"},
		{"no point on the curve", edit(func(r *pb.FileSealedRequest) { r.EncapsulatedKey = make([]byte, 65) }), invalid, "ciphertext"},
		{"empty inside", func(w *world, m proto.Message) {
			proto.Reset(m)
			proto.Merge(m, w.seal(&pb.SealedContent{}, nil))
		}, invalid, "ciphertext"},
		{"no words inside", func(w *world, m proto.Message) {
			req := filing(w)
			req.Report.Narrative = ""
			proto.Reset(m)
			proto.Merge(m, w.seal(&pb.SealedContent{File: req}, nil))
		}, invalid, "report.narrative"},
	},
	"PrincipalService.CreatePrincipal": {
		{"nothing", edit(func(r *pb.CreatePrincipalRequest) { proto.Reset(r) }), invalid, "principal"},
		{"taken", edit(func(r *pb.CreatePrincipalRequest) { r.Principal.Name = "principals/adviser" }), codes.AlreadyExists, ""},
		{"no name", edit(func(r *pb.CreatePrincipalRequest) { r.Principal.Name = "" }), invalid, "principal.name"},
		{"a tablet", edit(func(r *pb.CreatePrincipalRequest) { r.Principal.Grants[0].Role = pb.Role_ROLE_DEVICE }), invalid, "principal.grants[0].role"},
		{"of nowhere", edit(func(r *pb.CreatePrincipalRequest) { r.Principal.Grants[0].Workplaces[0] = "workplaces/nowhere" }), invalid, "principal.grants[0].workplaces[0]"},
		{"nothing granted", edit(func(r *pb.CreatePrincipalRequest) { r.Principal.Grants = nil }), invalid, "principal.grants"},
	},
	"PrincipalService.GetPrincipal": {
		{"nobody", edit(func(r *pb.GetPrincipalRequest) { r.Name = "principals/nobody" }), notFound, ""},
	},
	"PrincipalService.ListPrincipals": {
		{"a made-up page", edit(func(r *pb.ListPrincipalsRequest) { r.PageToken = "bWFkZS11cA" }), invalid, "page_token"},
	},
	"PrincipalService.UpdatePrincipal": {
		{"nothing", edit(func(r *pb.UpdatePrincipalRequest) { proto.Reset(r) }), invalid, "principal"},
		{"no etag", edit(func(r *pb.UpdatePrincipalRequest) { r.Principal.Etag = "" }), invalid, "principal.etag"},
		{"another etag", edit(func(r *pb.UpdatePrincipalRequest) { r.Principal.Etag = "r999" }), stale, ""},
		{"nobody", edit(func(r *pb.UpdatePrincipalRequest) { r.Principal.Name = "principals/nobody" }), notFound, ""},
		{"an unknown path", edit(func(r *pb.UpdatePrincipalRequest) { r.UpdateMask = &fieldmaskpb.FieldMask{Paths: []string{"weather"}} }), invalid, "update_mask"},
	},
	"PrincipalService.EndPrincipal": {
		{"a made-up etag", edit(func(r *pb.EndPrincipalRequest) { r.Etag = "v2" }), invalid, "etag"},
		{"another etag", edit(func(r *pb.EndPrincipalRequest) { r.Etag = "r999" }), stale, ""},
		{"nobody", edit(func(r *pb.EndPrincipalRequest) { r.Name = "principals/nobody" }), notFound, ""},
	},
	"PrincipalService.ImportPrincipals": {
		{"nothing", edit(func(r *pb.ImportPrincipalsRequest) { proto.Reset(r) }), invalid, "rows"},
		{"an empty row", edit(func(r *pb.ImportPrincipalsRequest) { r.Rows[0].Principal = nil }), invalid, "rows[0].principal"},
		{"the same twice", edit(func(r *pb.ImportPrincipalsRequest) { r.Rows = append(r.Rows, r.Rows[0]) }), invalid, "rows[1].principal.name"},
		{"nobody who could leave", edit(func(r *pb.ImportPrincipalsRequest) { r.Rows[0].Left = true }), invalid, "rows[0].left"},
		{"of nowhere", edit(func(r *pb.ImportPrincipalsRequest) {
			r.Rows[0].Principal.Grants[0].Workplaces[0] = "workplaces/nowhere"
		}), invalid, "rows[0].principal.grants[0].workplaces[0]"},
		{"a line before the first", edit(func(r *pb.ImportPrincipalsRequest) { r.Rows[0].Line = -1 }), invalid, "rows[0].line"},
		{"another path", edit(func(r *pb.ImportPrincipalsRequest) { r.UpdateMask = &fieldmaskpb.FieldMask{Paths: []string{"state"}} }), invalid, "update_mask"},
	},
	"PrincipalService.SetPin": {
		{"the first that anybody tries", edit(func(r *pb.SetPinRequest) { r.Pin = "1234" }), invalid, "pin"},
		{"somebody else's", edit(func(r *pb.SetPinRequest) { r.Name = "principals/boss" }), codes.PermissionDenied, ""},
	},
	"PrincipalService.ListSessions": {
		{"somebody else's", edit(func(r *pb.ListSessionsRequest) { r.Principal = "principals/boss" }), codes.PermissionDenied, ""},
	},
	"PrincipalService.CreateToken": {
		{"nobody", edit(func(r *pb.CreateTokenRequest) { r.Principal = "principals/nobody" }), notFound, ""},
		{"over already", edit(func(r *pb.CreateTokenRequest) { r.ExpireTime = timestamppb.New(now.AddDate(0, 0, -1)) }), invalid, "expire_time"},
	},
	"PrincipalService.ListTokens": {},
	"PrincipalService.EndToken": {
		{"none", edit(func(r *pb.EndTokenRequest) { r.Name = "tokens/" + nowhere }), notFound, ""},
	},
	"SignInService.MakeSignInCode": {
		{"nobody of that name", edit(func(r *pb.MakeSignInCodeRequest) { r.Principal = "principals/nobody-here" }), notFound, ""},
	},
	"SignInService.ListCredentials": {
		{"somebody else's", edit(func(r *pb.ListCredentialsRequest) { r.Principal = "principals/other" }), codes.PermissionDenied, ""},
	},
	"DeviceService.CreateDevice": {
		{"nothing", edit(func(r *pb.CreateDeviceRequest) { proto.Reset(r) }), invalid, "device"},
		{"of nowhere", edit(func(r *pb.CreateDeviceRequest) { r.Device.Workplace = "workplaces/nowhere" }), invalid, "device.workplace"},
		{"only blanks", edit(func(r *pb.CreateDeviceRequest) { r.Device.DisplayName = "  " }), invalid, "device.display_name"},
	},
	"DeviceService.RenewEnrolment": {
		{"none", edit(func(r *pb.RenewEnrolmentRequest) { r.Name = "devices/" + nowhere }), notFound, ""},
	},
	"DeviceService.ListDevices": {},
	"DeviceService.EndDevice": {
		{"none", edit(func(r *pb.EndDeviceRequest) { r.Name = "devices/" + nowhere }), notFound, ""},
	},
	"DeviceService.ListWorkers": {},

	"WorkplaceService.CreateWorkplace": {
		{"nothing", edit(func(r *pb.CreateWorkplaceRequest) { proto.Reset(r) }), invalid, "workplace"},
		{"a second root", edit(func(r *pb.CreateWorkplaceRequest) { r.Workplace.Parent = "" }), invalid, "workplace.parent"},
		{"below nothing", edit(func(r *pb.CreateWorkplaceRequest) { r.Workplace.Parent = "workplaces/nowhere" }), notFound, ""},
		{"below a crew", edit(func(r *pb.CreateWorkplaceRequest) { r.Workplace.Parent = "workplaces/northside-trees" }), invalid, "workplace.parent"},
		{"taken", edit(func(r *pb.CreateWorkplaceRequest) { r.Workplace.Name = "workplaces/northside" }), codes.AlreadyExists, ""},
		{"no such zone", edit(func(r *pb.CreateWorkplaceRequest) { r.Workplace.TimeZone = "Australia/Brindle" }), invalid, "workplace.time_zone"},
		{"no jurisdiction", edit(func(r *pb.CreateWorkplaceRequest) { r.Workplace.Jurisdiction = "the shire" }), invalid, "workplace.jurisdiction"},
		{"closed in 1949", edit(func(r *pb.CreateWorkplaceRequest) { r.Workplace.CloseTime = long() }), invalid, "workplace.close_time"},
	},
	"WorkplaceService.GetWorkplace": {
		{"nothing", edit(func(r *pb.GetWorkplaceRequest) { proto.Reset(r) }), invalid, "name"},
		{"nowhere", edit(func(r *pb.GetWorkplaceRequest) { r.Name = "workplaces/nowhere" }), notFound, ""},
		{"a person", edit(func(r *pb.GetWorkplaceRequest) { r.Name = wren }), invalid, "name"},
	},
	"WorkplaceService.ListWorkplaces": {
		{"a made-up page", edit(func(r *pb.ListWorkplacesRequest) { r.PageToken = "bWFkZS11cA" }), invalid, "page_token"},
		{"not base64", edit(func(r *pb.ListWorkplacesRequest) { r.PageToken = "?!" }), invalid, "page_token"},
	},
	"WorkplaceService.UpdateWorkplace": {
		{"nothing", edit(func(r *pb.UpdateWorkplaceRequest) { proto.Reset(r) }), invalid, "workplace"},
		{"no etag", edit(func(r *pb.UpdateWorkplaceRequest) { r.Workplace.Etag = "" }), invalid, "workplace.etag"},
		{"a made-up etag", edit(func(r *pb.UpdateWorkplaceRequest) { r.Workplace.Etag = "v2" }), invalid, "workplace.etag"},
		{"another etag", edit(func(r *pb.UpdateWorkplaceRequest) { r.Workplace.Etag = "r999" }), stale, ""},
		{"nowhere", edit(func(r *pb.UpdateWorkplaceRequest) { r.Workplace.Name = "workplaces/nowhere" }), notFound, ""},
		{"an unknown path", edit(func(r *pb.UpdateWorkplaceRequest) { r.UpdateMask = &fieldmaskpb.FieldMask{Paths: []string{"weather"}} }), invalid, "update_mask"},
		{"below itself", edit(func(r *pb.UpdateWorkplaceRequest) { r.Workplace.Parent = r.Workplace.Name }), invalid, "workplace.parent"},
	},
	"WorkplaceService.CreatePerson": {
		{"nothing", edit(func(r *pb.CreatePersonRequest) { proto.Reset(r) }), invalid, "person"},
		{"taken", edit(func(r *pb.CreatePersonRequest) { r.Person.Name = wren }), codes.AlreadyExists, ""},
		{"works nowhere", edit(func(r *pb.CreatePersonRequest) { r.Person.Workplace = "workplaces/nowhere" }), notFound, ""},
	},
	"WorkplaceService.GetPerson": {
		{"nothing", edit(func(r *pb.GetPersonRequest) { proto.Reset(r) }), invalid, "name"},
		{"nobody", edit(func(r *pb.GetPersonRequest) { r.Name = "people/nobody" }), notFound, ""},
	},
	"WorkplaceService.ListPeople": {
		{"nowhere", edit(func(r *pb.ListPeopleRequest) { r.Workplace = "workplaces/nowhere" }), invalid, "workplace"},
		{"a made-up page", edit(func(r *pb.ListPeopleRequest) { r.PageToken = "bWFkZS11cA" }), invalid, "page_token"},
	},

	"ReportService.FileReport": {
		{"no receipt code", edit(func(r *pb.FileReportRequest) { r.ReceiptCode = "7KQ2-MX4H-WPN8-3ZRT" }), invalid, "receipt_code"},
		{"a receipt code that is easily guessed", edit(func(r *pb.FileReportRequest) { r.ReceiptCode = "0000-0000-0000-00000" }), invalid, "receipt_code"},
		{"nothing", edit(func(r *pb.FileReportRequest) { proto.Reset(r) }), invalid, "report"},
		{"an empty report", edit(func(r *pb.FileReportRequest) { r.Report = &pb.Report{} }), invalid, "report.narrative"},
		{"only blanks", edit(func(r *pb.FileReportRequest) { r.Report.Narrative = " \n\t" }), invalid, "report.narrative"},
		{"an unknown workplace", edit(func(r *pb.FileReportRequest) { r.Report.Workplace = "workplaces/nowhere" }), invalid, "report.workplace"},
		{"a minute ahead of slack", edit(func(r *pb.FileReportRequest) {
			r.Report.OccurPrecision, r.Report.OccurTime = pb.TimePrecision_TIME_PRECISION_EXACT, timestamppb.New(now.AddDate(0, 0, 1))
		}), invalid, "report.occur_time"},
		{"an end before the start", edit(func(r *pb.FileReportRequest) {
			r.Report.OccurPrecision, r.Report.OccurEndTime = pb.TimePrecision_TIME_PRECISION_PERIOD, timestamppb.New(now.AddDate(0, 0, -20))
		}), invalid, "report.occur_end_time"},
		{"an end of no period", edit(func(r *pb.FileReportRequest) { r.Report.OccurEndTime = timestamppb.New(now) }), invalid, "report.occur_end_time"},
		{"a day that is none", edit(func(r *pb.FileReportRequest) { r.Report.Harms[0].Absences[0].FirstDate = "2026-02-30" }), invalid, "report.harms[0].absences[0].first_date"},
		{"back before away", edit(func(r *pb.FileReportRequest) { r.Report.Harms[0].Absences[0].ReturnDate = "2026-02-23" }), invalid, "report.harms[0].absences[0].return_date"},
		{"away twice", edit(func(r *pb.FileReportRequest) {
			r.Report.Harms[0].Absences = append(r.Report.Harms[0].Absences, &pb.Absence{FirstDate: "2026-02-24", ReturnDate: "2026-02-28"})
		}), invalid, "report.harms[0].absences"},
		{"a death without its outcome", edit(func(r *pb.FileReportRequest) { r.Report.Harms[0].DeathDate = "2026-02-25" }), invalid, "report.harms[0].death_date"},
		{"an outcome of tomorrow", edit(func(r *pb.FileReportRequest) { r.Report.Harms[0].OutcomeHistory[0].EffectiveDate = "2026-03-09" }), invalid, "report.harms[0].outcome_history[0].effective_date"},
		{"an unknown person", edit(func(r *pb.FileReportRequest) { r.Report.Harms[0].Person = "people/nobody" }), invalid, "report.harms[0].person"},
		{"two harms of one id", edit(func(r *pb.FileReportRequest) { r.Report.Harms = append(r.Report.Harms, &pb.Harm{HarmId: "h1"}) }), invalid, "report.harms[1].harm_id"},
		{"a teller of nobody's report", edit(func(r *pb.FileReportRequest) { r.Report.TellerMode = pb.TellerMode_TELLER_MODE_ANONYMOUS }), invalid, "teller"},
		{"an unknown teller", edit(func(r *pb.FileReportRequest) { r.Teller.Person = "people/nobody" }), invalid, "teller.person"},
		{"a link to nothing", edit(func(r *pb.FileReportRequest) { r.Report.Links[0].Report = "reports/" + nowhere }), invalid, "report.links[0].report"},
		{"a link to itself", edit(func(r *pb.FileReportRequest) { r.Report.Links[0].Report = r.Report.Name }), invalid, "report.links[0].report"},
		{"an origin", edit(func(r *pb.FileReportRequest) { r.Report.Origin = &pb.Origin{Dataset: "d", SourceId: "1"} }), invalid, "report.origin"},
		{"a value and a state", edit(func(r *pb.FileReportRequest) {
			r.Report.Answers = map[string]pb.AnswerState{"spot": pb.AnswerState_ANSWER_STATE_NOT_KNOWN}
		}), invalid, "report.answers"},
		{"a quantity without a unit", edit(func(r *pb.FileReportRequest) { r.Report.Release.QuantityUnit = "" }), invalid, "report.release.quantity_unit"},
		{"a name that is taken", func(w *world, req proto.Message) {
			req.(*pb.FileReportRequest).Report.Name = w.report("read").GetName()
		}, codes.AlreadyExists, ""},
		{"20,001 characters", edit(func(r *pb.FileReportRequest) { r.Report.Narrative = strings.Repeat("å", 20_001) }), invalid, "report.narrative"},
	},
	"ReportService.GetReport": {
		{"nothing", edit(func(r *pb.GetReportRequest) { proto.Reset(r) }), invalid, "name"},
		{"not there", edit(func(r *pb.GetReportRequest) { r.Name = "reports/" + nowhere }), notFound, ""},
		{"a slip in a short code", edit(func(r *pb.GetReportRequest) { r.Name = "reports/7KQ-2MX-5" }), invalid, "name"},
	},
	"ReportService.ListReports": {
		{"a made-up page", edit(func(r *pb.ListReportsRequest) { r.PageToken = "bWFkZS11cA" }), invalid, "page_token"},
		{"an unknown workplace", edit(func(r *pb.ListReportsRequest) { r.Filter.Workplaces[0] = "workplaces/nowhere" }), invalid, "filter.workplaces[0]"},
		{"a day that is none", edit(func(r *pb.ListReportsRequest) { r.Filter.StartDate = "2026-02-30" }), invalid, "filter.start_date"},
		{"an end before the start", edit(func(r *pb.ListReportsRequest) { r.Filter.EndDate = "2025-01-01" }), invalid, "filter.end_date"},
	},
	"ReportService.UpdateReport": {
		{"nothing", edit(func(r *pb.UpdateReportRequest) { proto.Reset(r) }), invalid, "reason"},
		{"no report", edit(func(r *pb.UpdateReportRequest) { r.Report = nil }), invalid, "report"},
		{"no etag", edit(func(r *pb.UpdateReportRequest) { r.Report.Etag = "" }), invalid, "report.etag"},
		{"another etag", edit(func(r *pb.UpdateReportRequest) { r.Report.Etag = "r999" }), stale, ""},
		{"not there", edit(func(r *pb.UpdateReportRequest) { r.Report.Name = "reports/" + nowhere }), notFound, ""},
		{"an unknown path", edit(func(r *pb.UpdateReportRequest) { r.UpdateMask = &fieldmaskpb.FieldMask{Paths: []string{"weather"}} }), invalid, "update_mask"},
		{"a closed path", edit(func(r *pb.UpdateReportRequest) { r.UpdateMask = &fieldmaskpb.FieldMask{Paths: []string{"state"}} }), invalid, "update_mask"},
		{"an unknown harm", edit(func(r *pb.UpdateReportRequest) { r.Report.Harms[0].HarmId = "h9" }), invalid, "report.harms[0].harm_id"},
		{"a blank reason", edit(func(r *pb.UpdateReportRequest) { r.Reason = "     " }), invalid, "reason"},
		{"a voided one", voided(func(req proto.Message, r *pb.Report) {
			req.(*pb.UpdateReportRequest).Report.Name, req.(*pb.UpdateReportRequest).Report.Etag = r.GetName(), r.GetEtag()
		}), state, ""},
	},
	"ReportService.VoidReport": {
		{"nothing", edit(func(r *pb.VoidReportRequest) { proto.Reset(r) }), invalid, "name"},
		{"a made-up etag", edit(func(r *pb.VoidReportRequest) { r.Etag = "first" }), invalid, "etag"},
		{"another etag", edit(func(r *pb.VoidReportRequest) { r.Etag = "r999" }), stale, ""},
		{"not there", edit(func(r *pb.VoidReportRequest) { r.Name = "reports/" + nowhere }), notFound, ""},
		{"a voided one", voided(func(req proto.Message, r *pb.Report) {
			req.(*pb.VoidReportRequest).Name, req.(*pb.VoidReportRequest).Etag = r.GetName(), r.GetEtag()
		}), state, ""},
	},
	"ReportService.AddHarm": {
		{"nothing", edit(func(r *pb.AddHarmRequest) { proto.Reset(r) }), invalid, "harm"},
		{"another etag", edit(func(r *pb.AddHarmRequest) { r.Etag = "r999" }), stale, ""},
		{"not there", edit(func(r *pb.AddHarmRequest) { r.Name = "reports/" + nowhere }), notFound, ""},
		{"an id that is taken", edit(func(r *pb.AddHarmRequest) { r.Harm.HarmId = "h1" }), invalid, "harm.harm_id"},
		{"nobody known", edit(func(r *pb.AddHarmRequest) { r.Harm.Person = "people/nobody" }), invalid, "harm.person"},
	},
	"ReportService.RecordOutcome": {
		{"nothing", edit(func(r *pb.RecordOutcomeRequest) { proto.Reset(r) }), invalid, "change"},
		{"another etag", edit(func(r *pb.RecordOutcomeRequest) { r.Etag = "r999" }), stale, ""},
		{"not there", edit(func(r *pb.RecordOutcomeRequest) { r.Name = "reports/" + nowhere }), notFound, ""},
		{"an unknown harm", edit(func(r *pb.RecordOutcomeRequest) { r.HarmId = "h9" }), notFound, ""},
		{"tomorrow", edit(func(r *pb.RecordOutcomeRequest) { r.Change.EffectiveDate = "2026-03-06" }), invalid, "change.effective_date"},
		{"before the event", edit(func(r *pb.RecordOutcomeRequest) { r.Change.EffectiveDate = "2025-03-06" }), invalid, "change.effective_date"},
		{"a death date of the living", edit(func(r *pb.RecordOutcomeRequest) { r.DeathDate = "2026-03-01" }), invalid, "death_date"},
	},
	"ReportService.RecordAbsence": {
		{"nothing", edit(func(r *pb.RecordAbsenceRequest) { proto.Reset(r) }), invalid, "absence"},
		{"another etag", edit(func(r *pb.RecordAbsenceRequest) { r.Etag = "r999" }), stale, ""},
		{"not there", edit(func(r *pb.RecordAbsenceRequest) { r.Name = "reports/" + nowhere }), notFound, ""},
		{"an unknown harm", edit(func(r *pb.RecordAbsenceRequest) { r.HarmId = "h9" }), notFound, ""},
		{"back before away", edit(func(r *pb.RecordAbsenceRequest) { r.Absence.ReturnDate = "2026-02-01" }), invalid, "absence.return_date"},
		{"before the event", edit(func(r *pb.RecordAbsenceRequest) { r.Absence.FirstDate = "2026-02-01" }), invalid, "absence.first_date"},
		{"more days than there are", edit(func(r *pb.RecordAbsenceRequest) { r.Absence.RosteredDays = proto.Int32(9) }), invalid, "absence.rostered_days"},
	},
	"ReportService.ListReportHistory": {
		{"nothing", edit(func(r *pb.ListReportHistoryRequest) { proto.Reset(r) }), invalid, "name"},
		{"not there", edit(func(r *pb.ListReportHistoryRequest) { r.Name = "reports/" + nowhere }), notFound, ""},
	},
	"ReportService.GetTeller": {
		{"nothing", edit(func(r *pb.GetTellerRequest) { proto.Reset(r) }), invalid, "name"},
		{"not there", edit(func(r *pb.GetTellerRequest) { r.Name = "reports/" + nowhere + "/teller" }), notFound, ""},
		{"nobody told", func(w *world, req proto.Message) {
			req.(*pb.GetTellerRequest).Name = w.report("anonymous").GetName() + "/teller"
		}, notFound, ""},
	},
	"ReportService.ImportReports": {
		{"nothing", edit(func(r *pb.ImportReportsRequest) { proto.Reset(r) }), invalid, "records"},
		{"no report", edit(func(r *pb.ImportReportsRequest) { r.Records[0].Report = nil }), invalid, "report"},
		{"no origin", edit(func(r *pb.ImportReportsRequest) { r.Records[0].Report.Origin = nil }), invalid, "report.origin"},
		{"an unknown workplace", edit(func(r *pb.ImportReportsRequest) { r.Records[0].Report.Workplace = "workplaces/nowhere" }), invalid, "report.workplace"},
		{"an unknown code", edit(func(r *pb.ImportReportsRequest) { r.Records[0].Codings[0].Mechanism = "9999" }), invalid, "codings[0].mechanism"},
		{"a coding of nobody", edit(func(r *pb.ImportReportsRequest) { r.Records[0].Codings[0].HarmId = "h9" }), invalid, "codings[0].harm_id"},
		{"no story", edit(func(r *pb.ImportReportsRequest) { r.Records[0].Report.Narrative = "" }), invalid, "report.narrative"},
	},

	"ClassificationService.ListEditions": {},
	"ClassificationService.ListCodes": {
		{"nothing", edit(func(r *pb.ListCodesRequest) { proto.Reset(r) }), invalid, "facet"},
		{"below no code", edit(func(r *pb.ListCodesRequest) { r.Parent = "9999" }), invalid, "parent"},
	},
	"ClassificationService.LookUpCodes": {
		{"nothing", edit(func(r *pb.LookUpCodesRequest) { proto.Reset(r) }), invalid, "words"},
	},
	"ClassificationService.AssignCoding": {
		{"nothing", edit(func(r *pb.AssignCodingRequest) { proto.Reset(r) }), invalid, "coding"},
		{"not there", edit(func(r *pb.AssignCodingRequest) { r.Parent = "reports/" + nowhere }), notFound, ""},
		{"no code", edit(func(r *pb.AssignCodingRequest) { r.Coding = &pb.Coding{HarmId: "h1"} }), invalid, "coding"},
		{"an unknown code", edit(func(r *pb.AssignCodingRequest) { r.Coding.Mechanism = "9999" }), invalid, "coding.mechanism"},
		{"a heading", edit(func(r *pb.AssignCodingRequest) { r.Coding.Mechanism = "2" }), invalid, "coding.mechanism"},
		{"an unknown harm", edit(func(r *pb.AssignCodingRequest) { r.Coding.HarmId = "h9" }), invalid, "coding.harm_id"},
		{"a made-up etag", edit(func(r *pb.AssignCodingRequest) { r.Coding.Etag = "v1" }), invalid, "coding.etag"},
		{"an etag of none", edit(func(r *pb.AssignCodingRequest) { r.Coding.Etag = "r3" }), invalid, "coding.etag"},
		{"another edition", edit(func(r *pb.AssignCodingRequest) { r.Coding.Edition = "TOOCS 9.9" }), invalid, "coding.edition"},
	},
	"ClassificationService.ListCodings": {
		{"nothing", edit(func(r *pb.ListCodingsRequest) { proto.Reset(r) }), invalid, "parent"},
		{"not there", edit(func(r *pb.ListCodingsRequest) { r.Parent = "reports/" + nowhere }), notFound, ""},
	},

	"HoursService.ImportHours": {
		{"nothing", edit(func(r *pb.ImportHoursRequest) { proto.Reset(r) }), invalid, "rows"},
		{"an empty row", edit(func(r *pb.ImportHoursRequest) { r.Rows[0].Hours = nil }), invalid, "rows[0]"},
		{"an unknown workplace", edit(func(r *pb.ImportHoursRequest) { r.Rows[0].Hours.Workplace = "workplaces/nowhere" }), invalid, "rows[0].hours.workplace"},
		{"next year", edit(func(r *pb.ImportHoursRequest) { r.Rows[0].Hours.Month = "2027-01" }), invalid, "rows[0].hours.month"},
		{"1949", edit(func(r *pb.ImportHoursRequest) { r.Rows[0].Hours.Month = "1949-12" }), invalid, "rows[0].hours.month"},
		{"the public", edit(func(r *pb.ImportHoursRequest) {
			r.Rows[0].Hours.EmploymentGroup = pb.EmploymentGroup_EMPLOYMENT_GROUP_PUBLIC
		}), invalid, "rows[0].hours.employment_group"},
		{"the same twice", edit(func(r *pb.ImportHoursRequest) { r.Rows = append(r.Rows, r.Rows[0]) }), invalid, "rows[1].hours"},
		{"a restatement without a reason", edit(func(r *pb.ImportHoursRequest) { r.Restate = true }), invalid, "reason"},
	},
	"HoursService.ListHours": {
		{"an unknown workplace", edit(func(r *pb.ListHoursRequest) { r.Workplace = "workplaces/nowhere" }), invalid, "workplace"},
		{"an end before the start", edit(func(r *pb.ListHoursRequest) { r.EndMonth = "2024-01" }), invalid, "end_month"},
		{"a made-up page", edit(func(r *pb.ListHoursRequest) { r.PageToken = "bWFkZS11cA" }), invalid, "page_token"},
	},

	"MeasureService.ListMeasures": {},
	"MeasureService.ComputeRates": {
		{"an unknown measure", edit(func(r *pb.ComputeRatesRequest) { r.Measures[0] = "luck" }), invalid, "measures[0]"},
		{"an empty period", edit(func(r *pb.ComputeRatesRequest) { r.Period.EndMonth = r.Period.StartMonth }), invalid, "period.end_month"},
		{"a future period", edit(func(r *pb.ComputeRatesRequest) { r.Period.EndMonth = "2028-01" }), invalid, "period.end_month"},
		{"an unknown workplace", edit(func(r *pb.ComputeRatesRequest) { r.Workplace = "workplaces/nowhere" }), notFound, ""},
	},
	"MeasureService.ComputeChart": {
		{"nothing", edit(func(r *pb.ComputeChartRequest) { proto.Reset(r) }), invalid, "measure"},
		{"an unknown measure", edit(func(r *pb.ComputeChartRequest) { r.Measure = "luck" }), invalid, "measure"},
		{"no chart of a ratio", edit(func(r *pb.ComputeChartRequest) { r.Measure = "severity_rate" }), invalid, "measure"},
		{"workplaces twice", edit(func(r *pb.ComputeChartRequest) { r.Filter.Workplaces = []string{"workplaces/northside"} }), invalid, "filter.workplaces"},
		{"an unknown workplace", edit(func(r *pb.ComputeChartRequest) { r.Workplace = "workplaces/nowhere" }), notFound, ""},
	},
	"ComputeService.ListMethods": {},
	"ComputeService.Compute": {
		{"nothing", edit(func(r *pb.ComputeRequest) { proto.Reset(r) }), invalid, "method"},
		{"no such method", edit(func(r *pb.ComputeRequest) { r.Method = "raet" }), invalid, "method"},
		{"no inputs", edit(func(r *pb.ComputeRequest) { r.Inputs = nil }), invalid, "inputs.count"},
		{"a text for a number", edit(func(r *pb.ComputeRequest) { r.Inputs.Fields["count"] = structpb.NewStringValue("three") }), invalid, "inputs.count"},
		{"a value of no kind", edit(func(r *pb.ComputeRequest) { r.Inputs.Fields["count"] = &structpb.Value{} }), invalid, "inputs.count"},
		{"a made-up input", edit(func(r *pb.ComputeRequest) { r.Inputs.Fields["cuont"] = structpb.NewNumberValue(3) }), invalid, "inputs.cuont"},
		{"no number", edit(func(r *pb.ComputeRequest) { r.Inputs.Fields["exposure"] = structpb.NewNumberValue(math.Inf(1)) }), invalid, "inputs.exposure"},
	},
	"MeasureService.RankCauses": {
		{"nothing", edit(func(r *pb.RankCausesRequest) { proto.Reset(r) }), invalid, "dimension"},
		{"no ranking of months", edit(func(r *pb.RankCausesRequest) { r.Dimension = pb.Dimension_DIMENSION_MONTH }), invalid, "dimension"},
		{"dates twice", edit(func(r *pb.RankCausesRequest) { r.Filter.StartDate = "2026-01-01" }), invalid, "filter.start_date"},
		{"an empty period", edit(func(r *pb.RankCausesRequest) { r.Period.EndMonth = r.Period.StartMonth }), invalid, "period.end_month"},
	},
	"MeasureService.CrossCauses": {
		{"nothing", edit(func(r *pb.CrossCausesRequest) { proto.Reset(r) }), invalid, "rows"},
		{"with itself", edit(func(r *pb.CrossCausesRequest) { r.Columns = r.Rows }), invalid, "columns"},
		{"an empty period", edit(func(r *pb.CrossCausesRequest) { r.Period.EndMonth = r.Period.StartMonth }), invalid, "period.end_month"},
	},
	"MeasureService.FindClusters": {
		{"nothing", edit(func(r *pb.FindClustersRequest) { proto.Reset(r) }), invalid, "category"},
		{"of workplaces", edit(func(r *pb.FindClustersRequest) { r.Category = pb.Dimension_DIMENSION_WORKPLACE }), invalid, "category"},
		{"a period too short", edit(func(r *pb.FindClustersRequest) { r.Period.StartMonth = "2026-02" }), invalid, "period"},
	},
	"MeasureService.Tabulate": {
		{"nothing", edit(func(r *pb.TabulateRequest) { proto.Reset(r) }), invalid, "rows"},
		{"an unknown workplace", edit(func(r *pb.TabulateRequest) { r.Filter.Workplaces[0] = "workplaces/nowhere" }), invalid, "filter.workplaces[0]"},
		{"an end before the start", edit(func(r *pb.TabulateRequest) { r.Filter.EndDate = "2025-01-01" }), invalid, "filter.end_date"},
		{"a day that is none", edit(func(r *pb.TabulateRequest) { r.Filter.StartDate = "2026-02-30" }), invalid, "filter.start_date"},
	},

	"SearchService.SearchReports": {
		{"nothing", edit(func(r *pb.SearchReportsRequest) { proto.Reset(r) }), invalid, "words"},
		{"only small words", edit(func(r *pb.SearchReportsRequest) { r.Words = "the of" }), invalid, "words"},
		{"only unwanted words", edit(func(r *pb.SearchReportsRequest) { r.Words = "-branch" }), invalid, "words"},
		{"a made-up page", edit(func(r *pb.SearchReportsRequest) { r.PageToken = "bWFkZS11cA" }), invalid, "page_token"},
		{"an unknown workplace", edit(func(r *pb.SearchReportsRequest) { r.Filter.Workplaces[0] = "workplaces/nowhere" }), invalid, "filter.workplaces[0]"},
		{"an end before the start", edit(func(r *pb.SearchReportsRequest) { r.Filter.EndDate = "2025-01-01" }), invalid, "filter.end_date"},
	},

	"AttachmentService.AddAttachment": {
		{"nothing", edit(func(r *pb.AddAttachmentRequest) { proto.Reset(r) }), invalid, "header"},
		{"bytes of nowhere", edit(func(r *pb.AddAttachmentRequest) { r.Header = nil }), invalid, "header"},
		{"no bytes", edit(func(r *pb.AddAttachmentRequest) { r.Chunk = nil }), invalid, "chunk"},
		{"no picture", edit(func(r *pb.AddAttachmentRequest) { r.Chunk = []byte("<svg onload='alert(1)'/>") }), invalid, "chunk"},
		{"half a picture", edit(func(r *pb.AddAttachmentRequest) { r.Chunk = r.Chunk[:len(r.Chunk)/2] }), invalid, "chunk"},
		{"too much at once", edit(func(r *pb.AddAttachmentRequest) { r.Chunk = append(r.Chunk, make([]byte, 256<<10)...) }), invalid, "chunk"},
		{"a report of nowhere", edit(func(r *pb.AddAttachmentRequest) { r.Header.Report = "reports/" + nowhere }), notFound, ""},
		{"another file of the same id", func(w *world, req proto.Message) {
			_, id, _ := strings.Cut(w.attached().GetName(), "/attachments/")
			report, _, _ := strings.Cut(w.attached().GetName(), "/attachments/")
			r := req.(*pb.AddAttachmentRequest)
			r.Header.AttachmentId, r.Header.Report, r.Header.Caption = id, report, "something else"
		}, invalid, "header.attachment_id"},
		{"a place of nobody's report", func(w *world, req proto.Message) {
			req.(*pb.AddAttachmentRequest).Header.Report = w.report("anonymous").GetName()
		}, invalid, "header.keep_location"},
		{"a voided report", voided(func(req proto.Message, r *pb.Report) { req.(*pb.AddAttachmentRequest).Header.Report = r.GetName() }), state, ""},
	},
	"AttachmentService.ReadAttachment": {
		{"nothing", edit(func(r *pb.ReadAttachmentRequest) { proto.Reset(r) }), invalid, "name"},
		{"nowhere", edit(func(r *pb.ReadAttachmentRequest) { r.Name = r.Name[:len(r.Name)-36] + nowhere }), notFound, ""},
		{"a way out", edit(func(r *pb.ReadAttachmentRequest) {
			r.Name = r.Name[:len(r.Name)-36] + "../../../../../../../../../etc/passwd"
		}), invalid, "name"},
	},
	"AttachmentService.GetAttachment": {
		{"nothing", edit(func(r *pb.GetAttachmentRequest) { proto.Reset(r) }), invalid, "name"},
		{"nowhere", edit(func(r *pb.GetAttachmentRequest) { r.Name = r.Name[:len(r.Name)-36] + nowhere }), notFound, ""},
		{"of another report", func(w *world, req proto.Message) {
			r := req.(*pb.GetAttachmentRequest)
			r.Name = w.report("read").GetName() + r.Name[44:]
		}, notFound, ""},
	},
	"AttachmentService.ListAttachments": {
		{"nothing", edit(func(r *pb.ListAttachmentsRequest) { proto.Reset(r) }), invalid, "parent"},
		{"nowhere", edit(func(r *pb.ListAttachmentsRequest) { r.Parent = "reports/" + nowhere }), notFound, ""},
	},
	"KeeperService.ListKeepers": nil,
	"MaskService.SuggestMasks": {
		{"nowhere", edit(func(r *pb.SuggestMasksRequest) { r.Report = "reports/" + nowhere }), notFound, ""},
		{"nothing", edit(func(r *pb.SuggestMasksRequest) { proto.Reset(r) }), invalid, "report"},
	},
	"MaskService.SetMaskedText": {
		{"nowhere", edit(func(r *pb.SetMaskedTextRequest) { r.Report = "reports/" + nowhere }), notFound, ""},
		{"nothing", edit(func(r *pb.SetMaskedTextRequest) { proto.Reset(r) }), invalid, "report"},
		{"only blanks", edit(func(r *pb.SetMaskedTextRequest) { r.Narrative = " " }), invalid, "narrative"},
		{"another etag", edit(func(r *pb.SetMaskedTextRequest) { r.Etag = "r77" }), stale, ""},
		{"a made-up etag", edit(func(r *pb.SetMaskedTextRequest) { r.Etag = "v1" }), invalid, "etag"},
	},
	"ReadService.ListReads": {
		{"nowhere", edit(func(r *pb.ListReadsRequest) { r.Report = "reports/" + nowhere }), notFound, ""},
		{"no report", edit(func(r *pb.ListReadsRequest) { r.Report = "northside" }), invalid, "report"},
	},
	"MessageService.AskTeller": {
		{"nothing", edit(func(r *pb.AskTellerRequest) { proto.Reset(r) }), invalid, "report"},
		{"nowhere", edit(func(r *pb.AskTellerRequest) { r.Report = "reports/" + nowhere }), notFound, ""},
		{"only blanks", edit(func(r *pb.AskTellerRequest) { r.Text = "  " }), invalid, "text"},
		{"too long", edit(func(r *pb.AskTellerRequest) { r.Text = strings.Repeat("a", 4001) }), invalid, "text"},
	},
	"MessageService.TellProgress": {
		{"nothing", edit(func(r *pb.TellProgressRequest) { proto.Reset(r) }), invalid, "report"},
		{"nowhere", edit(func(r *pb.TellProgressRequest) { r.Report = "reports/" + nowhere }), notFound, ""},
		{"only blanks", edit(func(r *pb.TellProgressRequest) { r.Text = "  " }), invalid, "text"},
		{"no stage", edit(func(r *pb.TellProgressRequest) { r.Stage = 0 }), invalid, "stage"},
		{"a stage that is not told", edit(func(r *pb.TellProgressRequest) { r.Stage = pb.ProgressStage_PROGRESS_STAGE_VOIDED }), invalid, "stage"},
	},
	"MessageService.ListReportMessages": {
		{"nothing", edit(func(r *pb.ListReportMessagesRequest) { proto.Reset(r) }), invalid, "report"},
		{"nowhere", edit(func(r *pb.ListReportMessagesRequest) { r.Report = "reports/" + nowhere }), notFound, ""},
	},
	"MyReportService.ListMyReports": {
		{"another token", edit(func(r *pb.ListMyReportsRequest) { r.PageToken = "AAAA" }), invalid, "page_token"},
		{"the token of another list", func(w *world, m proto.Message) {
			list, err := pb.NewReportServiceClient(w.Conn()).ListReports(w.As("adviser"), &pb.ListReportsRequest{PageSize: 1})
			require.NoError(w.t, err)
			m.(*pb.ListMyReportsRequest).PageToken = list.GetNextPageToken() + "AAAA"
		}, invalid, "page_token"},
	},
	"MyReportService.GetMyReport": {
		{"nothing", edit(func(r *pb.GetMyReportRequest) { proto.Reset(r) }), invalid, "name"},
		{"nowhere", edit(func(r *pb.GetMyReportRequest) { r.Name = "reports/" + nowhere }), notFound, ""},
		{"another's", func(w *world, m proto.Message) { m.(*pb.GetMyReportRequest).Name = w.report("another's").GetName() }, notFound, ""},
		{"one without a name", func(w *world, m proto.Message) { m.(*pb.GetMyReportRequest).Name = w.report("anonymous").GetName() }, notFound, ""},
	},
	"MyReportService.ListMyReportMessages": {
		{"nothing", edit(func(r *pb.ListMyReportMessagesRequest) { proto.Reset(r) }), invalid, "report"},
		{"nowhere", edit(func(r *pb.ListMyReportMessagesRequest) { r.Report = "reports/" + nowhere }), notFound, ""},
		{"another's", func(w *world, m proto.Message) {
			m.(*pb.ListMyReportMessagesRequest).Report = w.report("another's").GetName()
		}, notFound, ""},
	},
	"MyReportService.AddMyReportMessage": {
		{"nothing", edit(func(r *pb.AddMyReportMessageRequest) { proto.Reset(r) }), invalid, "report"},
		{"nowhere", edit(func(r *pb.AddMyReportMessageRequest) { r.Report = "reports/" + nowhere }), notFound, ""},
		{"another's", func(w *world, m proto.Message) {
			m.(*pb.AddMyReportMessageRequest).Report = w.report("another's").GetName()
		}, notFound, ""},
		{"only blanks", edit(func(r *pb.AddMyReportMessageRequest) { r.Text = "  " }), invalid, "text"},
		{"too long", edit(func(r *pb.AddMyReportMessageRequest) { r.Text = strings.Repeat("a", 4001) }), invalid, "text"},
		{"an answer to nothing", edit(func(r *pb.AddMyReportMessageRequest) { r.Answers = r.Report + "/messages/" + nowhere }), invalid, "answers"},
		{"an answer to another report's question", edit(func(r *pb.AddMyReportMessageRequest) { r.Answers = "reports/" + nowhere + "/messages/" + nowhere }), invalid, "answers"},
	},
	"MyReportService.AcknowledgeMyReportMessage": {
		{"nothing", edit(func(r *pb.AcknowledgeMyReportMessageRequest) { proto.Reset(r) }), invalid, "name"},
		{"nowhere", edit(func(r *pb.AcknowledgeMyReportMessageRequest) { r.Name = r.Name[:len(r.Name)-36] + nowhere }), notFound, ""},
		{"another's", func(w *world, m proto.Message) {
			q, err := pb.NewMessageServiceClient(w.Conn()).AskTeller(w.As("adviser"), &pb.AskTellerRequest{Report: w.report("another's").GetName(), Text: "Which one?"})
			require.NoError(w.t, err)
			m.(*pb.AcknowledgeMyReportMessageRequest).Name = q.GetName()
		}, notFound, ""},
	},
	"AttachmentService.RemoveAttachment": {
		{"nothing", edit(func(r *pb.RemoveAttachmentRequest) { proto.Reset(r) }), invalid, "name"},
		{"nowhere", edit(func(r *pb.RemoveAttachmentRequest) { r.Name = r.Name[:len(r.Name)-36] + nowhere }), notFound, ""},
		{"no etag", edit(func(r *pb.RemoveAttachmentRequest) { r.Etag = "" }), invalid, "etag"},
		{"a made-up etag", edit(func(r *pb.RemoveAttachmentRequest) { r.Etag = "v1" }), invalid, "etag"},
		{"another etag", edit(func(r *pb.RemoveAttachmentRequest) { r.Etag = "r7" }), stale, ""},
		{"only blanks", edit(func(r *pb.RemoveAttachmentRequest) { r.Reason = "    " }), invalid, "reason"},
		{"removed before", func(w *world, req proto.Message) {
			r := req.(*pb.RemoveAttachmentRequest)
			a := w.attach(w.report("detached once").GetName(), onePixel)
			resp, err := pb.NewAttachmentServiceClient(w.Conn()).RemoveAttachment(w.As("adviser"), &pb.RemoveAttachmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "blurred"})
			require.NoError(w.t, err)
			r.Name, r.Etag = a.GetName(), resp.GetAttachment().GetEtag()
		}, state, ""},
	},

	"ExportService.GetSummary": {
		{"nothing", edit(func(r *pb.GetSummaryRequest) { proto.Reset(r) }), invalid, "period"},
		{"an empty period", edit(func(r *pb.GetSummaryRequest) { r.Period.EndMonth = r.Period.StartMonth }), invalid, "period.end_month"},
		{"an unknown workplace", edit(func(r *pb.GetSummaryRequest) { r.Workplace = "workplaces/nowhere" }), invalid, "workplace"},
	},
	"ExportService.ExportSummary": {
		{"nothing", edit(func(r *pb.ExportSummaryRequest) { proto.Reset(r) }), invalid, "format"},
		{"an empty period", edit(func(r *pb.ExportSummaryRequest) { r.Summary.Period.EndMonth = r.Summary.Period.StartMonth }), invalid, "summary.period.end_month"},
		{"an unknown workplace", edit(func(r *pb.ExportSummaryRequest) { r.Summary.Workplace = "workplaces/nowhere" }), invalid, "summary.workplace"},
	},

	"ExportService.CompareSummaries": {
		{"nothing", edit(func(r *pb.CompareSummariesRequest) { proto.Reset(r) }), invalid, "from"},
		{"an empty period", edit(func(r *pb.CompareSummariesRequest) { r.Summary.Period.EndMonth = r.Summary.Period.StartMonth }), invalid, "summary.period.end_month"},
		{"a third moment", edit(func(r *pb.CompareSummariesRequest) { r.Summary.AsAt = asAt(1) }), invalid, "summary.as_at"},
		{"no moment", edit(func(r *pb.CompareSummariesRequest) { r.From = &pb.AsAt{} }), invalid, "from"},
		{"a change to come", edit(func(r *pb.CompareSummariesRequest) { r.From = asAt(1 << 40) }), invalid, "from.sequence_number"},
		{"a later change to come", edit(func(r *pb.CompareSummariesRequest) { r.To = asAt(1 << 40) }), invalid, "to.sequence_number"},
		{"the wrong way round", edit(func(r *pb.CompareSummariesRequest) { r.From, r.To = r.To, r.From }), invalid, "to"},
	},

	"RetentionService.ListRetentionClasses": {},
	"RetentionService.SetRetentionClass": {
		{"nothing", edit(func(r *pb.SetRetentionClassRequest) { proto.Reset(r) }), invalid, "retention_class"},
		{"only blanks", edit(func(r *pb.SetRetentionClassRequest) { r.RetentionClass.Source = "   " }), invalid, "retention_class.source"},
		{"no time to take words out", edit(func(r *pb.SetRetentionClassRequest) { r.RetentionClass.Months = 0 }), invalid, "retention_class.months"},
		{"with dates", edit(func(r *pb.SetRetentionClassRequest) { r.RetentionClass.Filter.StartDate = "2026-01-01" }), invalid, "retention_class.filter"},
		{"an unknown workplace", edit(func(r *pb.SetRetentionClassRequest) { r.RetentionClass.Filter.Workplaces[0] = "workplaces/nowhere" }), invalid, "retention_class.filter.workplaces[0]"},
		{"a made-up etag", edit(func(r *pb.SetRetentionClassRequest) { r.RetentionClass.Etag = "v1" }), invalid, "retention_class.etag"},
		{"changed and not there", edit(func(r *pb.SetRetentionClassRequest) { r.RetentionClass.Etag = "r7" }), notFound, ""},
		{"taken", func(w *world, req proto.Message) {
			req.(*pb.SetRetentionClassRequest).RetentionClass.Name = w.class().GetName()
		}, codes.AlreadyExists, ""},
	},
	"RetentionService.AgreeRetentionClass": {
		{"nothing", edit(func(r *pb.AgreeRetentionClassRequest) { proto.Reset(r) }), invalid, "name"},
		{"not there", edit(func(r *pb.AgreeRetentionClassRequest) { r.Name = "retentionClasses/nowhere" }), notFound, ""},
		{"another etag", edit(func(r *pb.AgreeRetentionClassRequest) { r.Etag = "r7" }), stale, ""},
		{"a made-up etag", edit(func(r *pb.AgreeRetentionClassRequest) { r.Etag = "v1" }), invalid, "etag"},
		{"only blanks", edit(func(r *pb.AgreeRetentionClassRequest) { r.Reason = "  " }), invalid, "reason"},
		{"twice", func(w *world, req proto.Message) {
			r, c := req.(*pb.AgreeRetentionClassRequest), w.class()
			r.Name, r.Etag = c.GetName(), c.GetEtag()
			resp, err := pb.NewRetentionServiceClient(w.Conn()).AgreeRetentionClass(w.As("adviser"), &pb.AgreeRetentionClassRequest{Name: r.Name, Etag: r.Etag, Reason: "read it"})
			require.NoError(w.t, err)
			r.Etag = resp.GetRetentionClass().GetEtag()
		}, state, ""},
	},
	"RetentionService.StopRetentionClass": {
		{"nothing", edit(func(r *pb.StopRetentionClassRequest) { proto.Reset(r) }), invalid, "name"},
		{"not there", edit(func(r *pb.StopRetentionClassRequest) { r.Name = "retentionClasses/nowhere" }), notFound, ""},
		{"another etag", edit(func(r *pb.StopRetentionClassRequest) { r.Etag = "r7" }), stale, ""},
		{"only blanks", edit(func(r *pb.StopRetentionClassRequest) { r.Reason = "  " }), invalid, "reason"},
		{"never agreed to", edit(func(r *pb.StopRetentionClassRequest) { r.Name, r.Etag = "retentionClasses/call-back", "" }), state, ""},
	},
	"RetentionService.ListLegalHolds": {},
	"RetentionService.PlaceLegalHold": {
		{"nothing", edit(func(r *pb.PlaceLegalHoldRequest) { proto.Reset(r) }), invalid, "legal_hold"},
		{"only blanks", edit(func(r *pb.PlaceLegalHoldRequest) { r.LegalHold.AskedBy = "  " }), invalid, "legal_hold.asked_by"},
		{"of nothing", edit(func(r *pb.PlaceLegalHoldRequest) {
			r.LegalHold.Filter, r.LegalHold.Reports, r.LegalHold.People = nil, nil, nil
		}), invalid, "legal_hold.filter"},
		{"a report of nowhere", edit(func(r *pb.PlaceLegalHoldRequest) { r.LegalHold.Reports[0] = "reports/" + nowhere }), notFound, ""},
		{"nobody", edit(func(r *pb.PlaceLegalHoldRequest) { r.LegalHold.People[0] = "people/nobody" }), notFound, ""},
		{"a day that is none", edit(func(r *pb.PlaceLegalHoldRequest) { r.LegalHold.Filter.StartDate = "2026-02-30" }), invalid, "legal_hold.filter"},
		{"an unknown workplace", edit(func(r *pb.PlaceLegalHoldRequest) { r.LegalHold.Filter.Workplaces[0] = "workplaces/nowhere" }), invalid, "legal_hold.filter.workplaces[0]"},
	},
	"RetentionService.ReleaseLegalHold": {
		{"nothing", edit(func(r *pb.ReleaseLegalHoldRequest) { proto.Reset(r) }), invalid, "name"},
		{"not there", edit(func(r *pb.ReleaseLegalHoldRequest) { r.Name = "legalHolds/nowhere" }), notFound, ""},
		{"no etag", edit(func(r *pb.ReleaseLegalHoldRequest) { r.Etag = "" }), invalid, "etag"},
		{"another etag", edit(func(r *pb.ReleaseLegalHoldRequest) { r.Etag = "r7" }), stale, ""},
		{"only blanks", edit(func(r *pb.ReleaseLegalHoldRequest) { r.Reason = "  " }), invalid, "reason"},
		{"twice", func(w *world, req proto.Message) {
			r := req.(*pb.ReleaseLegalHoldRequest)
			placed, err := pb.NewRetentionServiceClient(w.Conn()).PlaceLegalHold(w.As("adviser"), &pb.PlaceLegalHoldRequest{LegalHold: hold(w)})
			require.NoError(w.t, err)
			r.Name, r.Etag = placed.GetLegalHold().GetName(), placed.GetLegalHold().GetEtag()
			resp, err := pb.NewRetentionServiceClient(w.Conn()).ReleaseLegalHold(w.As("adviser"), &pb.ReleaseLegalHoldRequest{Name: r.Name, Etag: r.Etag, Reason: "settled"})
			require.NoError(w.t, err)
			r.Etag = resp.GetLegalHold().GetEtag()
		}, state, ""},
	},
	"RetentionService.PreviewRetention": {
		{"a day that is none", edit(func(r *pb.PreviewRetentionRequest) { r.Date = "2026-02-30" }), invalid, "date"},
		{"a class not in force", edit(func(r *pb.PreviewRetentionRequest) { r.Classes = []string{"retentionClasses/call-back"} }), invalid, "classes[0]"},
	},
	"RetentionService.ApplyRetention": {
		{"nothing", edit(func(r *pb.ApplyRetentionRequest) { proto.Reset(r) }), invalid, "etag"},
		{"another etag", edit(func(r *pb.ApplyRetentionRequest) { r.Etag = "0123" }), stale, ""},
		{"another day", edit(func(r *pb.ApplyRetentionRequest) { r.Date = "2026-01-01" }), stale, ""},
		{"a day to come", edit(func(r *pb.ApplyRetentionRequest) { r.Date = "2040-01-01" }), invalid, "date"},
		{"only blanks", edit(func(r *pb.ApplyRetentionRequest) { r.Reason = "  " }), invalid, "reason"},
	},
	"RetentionService.ErasePerson": {
		{"nothing", edit(func(r *pb.ErasePersonRequest) { proto.Reset(r) }), invalid, "name"},
		{"nobody", edit(func(r *pb.ErasePersonRequest) { r.Name = "people/nobody" }), notFound, ""},
		{"only blanks", edit(func(r *pb.ErasePersonRequest) { r.Reason = "  " }), invalid, "reason"},
		{"twice", func(w *world, req proto.Message) {
			r := req.(*pb.ErasePersonRequest)
			r.Name = w.person()
			_, err := pb.NewRetentionServiceClient(w.Conn()).ErasePerson(w.As("adviser"), &pb.ErasePersonRequest{Name: r.Name, Reason: "asked"})
			require.NoError(w.t, err)
		}, state, ""},
		{"held", func(w *world, req proto.Message) {
			h := hold(w)
			_, err := pb.NewRetentionServiceClient(w.Conn()).PlaceLegalHold(w.As("adviser"), &pb.PlaceLegalHoldRequest{LegalHold: h})
			require.NoError(w.t, err)
			req.(*pb.ErasePersonRequest).Name = h.GetPeople()[0]
		}, state, ""},
	},
	"RetentionService.EraseTeller": {
		{"nothing", edit(func(r *pb.EraseTellerRequest) { proto.Reset(r) }), invalid, "name"},
		{"not there", edit(func(r *pb.EraseTellerRequest) { r.Name = "reports/" + nowhere + "/teller" }), notFound, ""},
		{"only blanks", edit(func(r *pb.EraseTellerRequest) { r.Reason = "  " }), invalid, "reason"},
		{"nobody told", func(w *world, req proto.Message) {
			req.(*pb.EraseTellerRequest).Name = w.report("anonymous").GetName() + "/teller"
		}, notFound, ""},
	},
	"RetentionService.EraseReportText": {
		{"nothing", edit(func(r *pb.EraseReportTextRequest) { proto.Reset(r) }), invalid, "name"},
		{"not there", edit(func(r *pb.EraseReportTextRequest) { r.Name = "reports/" + nowhere }), notFound, ""},
		{"no etag", edit(func(r *pb.EraseReportTextRequest) { r.Etag = "" }), invalid, "etag"},
		{"another etag", edit(func(r *pb.EraseReportTextRequest) { r.Etag = "r7" }), stale, ""},
		{"no words of a report", edit(func(r *pb.EraseReportTextRequest) { r.Texts[0].Field = "workplace" }), invalid, "texts[0].field"},
		{"no account left", edit(func(r *pb.EraseReportTextRequest) { r.Texts[0].Text = " " }), invalid, "texts[0].text"},
		{"a harm that is not there", edit(func(r *pb.EraseReportTextRequest) { r.Texts[1].Field = "harms.h9.description" }), invalid, "texts[1].field"},
		{"a spot too long", edit(func(r *pb.EraseReportTextRequest) { r.Texts[1].Text = strings.Repeat("x", 501) }), invalid, "texts[1].text"},
		{"words that are nowhere", edit(func(r *pb.EraseReportTextRequest) { r.Texts = []*pb.TextInstead{{Field: "void_reason"}} }), state, ""},
		{"held", func(w *world, req proto.Message) {
			h := hold(w)
			_, err := pb.NewRetentionServiceClient(w.Conn()).PlaceLegalHold(w.As("adviser"), &pb.PlaceLegalHoldRequest{LegalHold: h})
			require.NoError(w.t, err)
			r := w.report("held")
			req.(*pb.EraseReportTextRequest).Name, req.(*pb.EraseReportTextRequest).Etag = r.GetName(), r.GetEtag()
		}, state, ""},
	},

	"ChangeService.ListChanges": {},
	"ChangeService.WatchChanges": {
		{"beyond the log", edit(func(r *pb.WatchChangesRequest) { r.AfterSequenceNumber = 1 << 40 }), invalid, "after_sequence_number"},
	},
	"ChangeService.GetHead":       {},
	"ChangeService.GetCheckpoint": {},
}

func long() *timestamppb.Timestamp { return timestamppb.New(now.AddDate(-77, 0, 0)) }

// voided points a request at a report that was voided.
func voided(point func(req proto.Message, r *pb.Report)) func(*world, proto.Message) {
	return func(w *world, req proto.Message) {
		client := pb.NewReportServiceClient(w.Conn())
		if w.kept["gone"] == "" {
			r := w.report("gone")
			_, err := client.VoidReport(w.As("adviser"), &pb.VoidReportRequest{Name: r.GetName(), Etag: r.GetEtag(), Reason: "told twice"})
			require.NoError(w.t, err)
		}
		r, err := client.GetReport(w.As("adviser"), &pb.GetReportRequest{Name: w.kept["gone"]})
		require.NoError(w.t, err)
		point(req, r)
	}
}

// TestBadCases wants each wrong thing refused with its code and its place, and
// the good request that it was made from still good afterwards.
func TestBadCases(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	for _, m := range contract(t) {
		base := good[m.short](w)
		for _, c := range wrongs[m.short] {
			req := proto.Clone(base)
			c.change(w, req)
			before := w.Head()
			out, err := send(w.As(m.role), w.Conn(), m, wire(t, req))
			r, ok := w.outcome(t, m, out, err)
			if !ok {
				t.Errorf("%s: %s was taken", m.short, c.what)
				base = good[m.short](w)
				continue
			}
			if r.code != c.code || c.field != "" && !r.names(c.field) {
				t.Errorf("%s: %s: got %v, want %v %s", m.short, c.what, r, c.code, c.field)
			}
			if c.code == stale && m.short != "ClassificationService.AssignCoding" {
				require.Equal(t, fault.ReasonStale, r.reason)
				require.Regexp(t, `^r[0-9]+$`, r.info.GetMetadata()["etag"], "the etag that is current is said")
			}
			require.Equal(t, before, w.Head(), "%s: %s was refused and yet written", m.short, c.what)
		}
		_, err := send(w.As(m.role), w.Conn(), m, wire(t, base))
		require.NoError(t, err, "%s after its bad cases: %v", m.short, reasons(err))
	}
}
