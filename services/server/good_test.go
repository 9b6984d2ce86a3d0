package server_test

import (
	"crypto/rand"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/structpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/receiptcode"
	"fairlead/services/server/servertest"
)

// story is a report that has something in most fields.
func story(name string) *pb.Report {
	return &pb.Report{
		Name: name, Kind: pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, Workplace: "workplaces/northside-trees",
		Narrative: "A hung-up branch came down while the crew was rigging.", LanguageCode: "en-AU",
		OccurTime: timestamppb.New(now.AddDate(0, 0, -10)), OccurPrecision: pb.TimePrecision_TIME_PRECISION_ABOUT,
		Spot: "old mill lane", TaskBefore: "rigging", DoneRightAway: "stopped the saw", WhoCouldBeHurt: "the groundsman",
		Potential: pb.PotentialSeverity_POTENTIAL_SEVERITY_FATAL, TellerMode: pb.TellerMode_TELLER_MODE_NAMED,
		Damage: "a fence", Harms: []*pb.Harm{{
			HarmId: "h1", Person: wren, EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE,
			AgeBand: pb.AgeBand_AGE_BAND_25_TO_34, Description: "bruised shoulder", Treatment: pb.Treatment_TREATMENT_FIRST_AID,
			OutcomeHistory: []*pb.OutcomeChange{{Outcome: pb.OutcomeClass_OUTCOME_CLASS_FIRST_AID}},
		}},
	}
}

func filing(w *world) *pb.FileReportRequest {
	r := story("reports/" + w.id())
	r.Harms[0].Absences = []*pb.Absence{{FirstDate: "2026-02-23", ReturnDate: "2026-02-25", RosteredDays: proto.Int32(2)}}
	r.Harms[0].Restrictions = []*pb.Absence{{FirstDate: "2026-02-25", ReturnDate: "2026-02-27"}}
	r.Harms[0].OutcomeHistory[0] = &pb.OutcomeChange{Outcome: pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, EffectiveDate: "2026-02-22", Reason: "seen by a doctor"}
	r.Answers = map[string]pb.AnswerState{"teller_role": pb.AnswerState_ANSWER_STATE_NOT_KNOWN}
	r.Harms[0].Answers = map[string]pb.AnswerState{"death_date": pb.AnswerState_ANSWER_STATE_DOES_NOT_APPLY}
	r.Release = &pb.Release{Substance: "diesel", Quantity: proto.Float64(2), QuantityUnit: "L", AreaSquareMetres: proto.Float64(1),
		WaterReached: pb.WaterReached_WATER_REACHED_NO, StepsTaken: "sand"}
	r.MadeTime = timestamppb.New(now.AddDate(0, 0, -9))
	r.Links = []*pb.ReportLink{{Report: w.report("linked").GetName(), Kind: pb.LinkKind_LINK_KIND_SAME_CAUSE}}
	code, err := receiptcode.New(rand.Reader)
	require.NoError(w.t, err)
	return &pb.FileReportRequest{Report: r, RequestId: w.id(), ReceiptCode: receiptcode.Spoken(code), Teller: &pb.Teller{DisplayName: "Iris Storybook", Contact: "channel 4", Person: wren}}
}

func filter() *pb.ReportFilter {
	return &pb.ReportFilter{Workplaces: []string{"workplaces/northside"}, Kinds: []pb.ReportKind{pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS},
		StartDate: "2026-01-01", EndDate: "2026-04-01", Datasets: []string{"here"}}
}

// undated is a filter for questions that give a period beside it.
func undated() *pb.ReportFilter {
	f := filter()
	f.StartDate, f.EndDate = "", ""
	return f
}

func period() *pb.Period { return &pb.Period{StartMonth: "2025-03", EndMonth: "2026-03"} }

// class is a new retention class.
func class(w *world) *pb.RetentionClass {
	return &pb.RetentionClass{Name: fmt.Sprintf("retentionClasses/class-%d", w.next()), Title: "Near misses", Months: 120,
		Filter: &pb.ReportFilter{Workplaces: []string{"workplaces/quarry-road"}, Kinds: []pb.ReportKind{pb.ReportKind_REPORT_KIND_NEAR_MISS}},
		Start:  pb.RetentionStart_RETENTION_START_EVENT, Step: pb.RetentionStep_RETENTION_STEP_WORDS, Source: "House rule"}
}

// class stores a new retention class.
func (w *world) class() *pb.RetentionClass {
	resp, err := pb.NewRetentionServiceClient(w.Conn()).SetRetentionClass(w.As("adviser"), &pb.SetRetentionClassRequest{RetentionClass: class(w), Reason: "decided"})
	require.NoError(w.t, err)
	return resp.GetRetentionClass()
}

// hold is a new legal hold.
func hold(w *world) *pb.LegalHold {
	return &pb.LegalHold{Name: fmt.Sprintf("legalHolds/hold-%d", w.next()), Reason: "a claim", AskedBy: "the insurer",
		Filter:  &pb.ReportFilter{Workplaces: []string{"workplaces/quarry-road"}, StartDate: "2026-01-01", EndDate: "2026-02-01"},
		Reports: []string{w.report("held").GetName()}, People: []string{w.person()}}
}

// person adds somebody new.
func (w *world) person() string {
	p, err := pb.NewWorkplaceServiceClient(w.Conn()).CreatePerson(w.As("administrator"), &pb.CreatePersonRequest{Person: &pb.Person{
		Name: fmt.Sprintf("people/someone-%d", w.next()), DisplayName: "Fern Placeholder", Workplace: "workplaces/northside",
		EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE}})
	require.NoError(w.t, err)
	return p.GetName()
}

// good makes for each method a request that succeeds. Bad requests are good
// ones with one thing wrong, so that nothing else can be the reason of a
// refusal.
var good = map[string]func(w *world) proto.Message{
	"AccessService.GetMyself": func(*world) proto.Message { return &pb.GetMyselfRequest{} },

	"PrincipalService.CreatePrincipal": func(w *world) proto.Message { return newPrincipal(w) },
	"PrincipalService.GetPrincipal":    func(w *world) proto.Message { return &pb.GetPrincipalRequest{Name: w.principal().GetName()} },
	"PrincipalService.ListPrincipals": func(*world) proto.Message {
		return &pb.ListPrincipalsRequest{PageSize: 2, IncludeLeft: true}
	},
	"PrincipalService.UpdatePrincipal": func(w *world) proto.Message {
		p := w.principal()
		return &pb.UpdatePrincipalRequest{RequestId: w.id(), Principal: &pb.Principal{Name: p.GetName(), Etag: p.GetEtag(), DisplayName: fmt.Sprint("Fern ", w.next())}}
	},
	"PrincipalService.EndPrincipal": func(w *world) proto.Message {
		p := w.principal()
		return &pb.EndPrincipalRequest{Name: p.GetName(), Etag: p.GetEtag(), RequestId: w.id()}
	},
	"PrincipalService.ImportPrincipals": func(w *world) proto.Message {
		return &pb.ImportPrincipalsRequest{RequestId: w.id(), Rows: []*pb.PrincipalRow{{Line: 2, Principal: newPrincipal(w).GetPrincipal()}}}
	},
	"PrincipalService.SetPin":       func(*world) proto.Message { return &pb.SetPinRequest{Name: "principals/adviser", Pin: "4071"} },
	"PrincipalService.ListSessions": func(*world) proto.Message { return &pb.ListSessionsRequest{Principal: "principals/adviser"} },
	"PrincipalService.CreateToken": func(w *world) proto.Message {
		return &pb.CreateTokenRequest{Principal: w.principal().GetName(), Purpose: "roster program", ExpireTime: timestamppb.New(now.AddDate(0, 1, 0))}
	},
	"PrincipalService.ListTokens": func(w *world) proto.Message { return &pb.ListTokensRequest{Principal: w.principal().GetName()} },
	"PrincipalService.EndToken": func(w *world) proto.Message {
		made, err := pb.NewPrincipalServiceClient(w.Conn()).CreateToken(w.As("administrator"), &pb.CreateTokenRequest{Principal: w.principal().GetName(), Purpose: "roster program"})
		require.NoError(w.t, err)
		return &pb.EndTokenRequest{Name: made.GetToken().GetName()}
	},

	"SignInService.MakeSignInCode":  func(w *world) proto.Message { return &pb.MakeSignInCodeRequest{Principal: w.principal().GetName()} },
	"SignInService.ListCredentials": func(*world) proto.Message { return &pb.ListCredentialsRequest{Principal: "principals/adviser"} },

	"DeviceService.CreateDevice": func(*world) proto.Message {
		return &pb.CreateDeviceRequest{Device: &pb.Device{DisplayName: "tablet 3", Workplace: "workplaces/northside"}}
	},
	"DeviceService.RenewEnrolment": func(w *world) proto.Message { return &pb.RenewEnrolmentRequest{Name: w.tablet().GetName()} },
	"DeviceService.ListDevices":    func(*world) proto.Message { return &pb.ListDevicesRequest{IncludeEnded: true} },
	"DeviceService.EndDevice":      func(w *world) proto.Message { return &pb.EndDeviceRequest{Name: w.tablet().GetName()} },
	"DeviceService.ListWorkers":    func(*world) proto.Message { return &pb.ListWorkersRequest{} },

	"WorkplaceService.CreateWorkplace": func(w *world) proto.Message {
		return &pb.CreateWorkplaceRequest{RequestId: w.id(), Workplace: &pb.Workplace{Name: fmt.Sprintf("workplaces/yard-%d", w.next()),
			Parent: "workplaces/quarry-road", Title: "Yard", Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_AREA, TimeZone: "Australia/Perth",
			Jurisdiction: "AU-WA", IndustryCode: "ANZSIC:O7530", CloseTime: timestamppb.New(now.AddDate(1, 0, 0))}}
	},
	"WorkplaceService.GetWorkplace": func(*world) proto.Message { return &pb.GetWorkplaceRequest{Name: "workplaces/northside"} },
	"WorkplaceService.ListWorkplaces": func(*world) proto.Message {
		return &pb.ListWorkplacesRequest{PageSize: 2}
	},
	"WorkplaceService.UpdateWorkplace": func(w *world) proto.Message {
		at, err := pb.NewWorkplaceServiceClient(w.Conn()).GetWorkplace(w.As("administrator"), &pb.GetWorkplaceRequest{Name: "workplaces/northside-trees"})
		require.NoError(w.t, err)
		return &pb.UpdateWorkplaceRequest{RequestId: w.id(), Workplace: &pb.Workplace{Name: at.GetName(), Etag: at.GetEtag(), Title: fmt.Sprint("Tree crew ", w.next())}}
	},
	"WorkplaceService.CreatePerson": func(w *world) proto.Message {
		return &pb.CreatePersonRequest{RequestId: w.id(), Person: &pb.Person{Name: fmt.Sprintf("people/person-%d", w.next()), DisplayName: "Fern Placeholder",
			Workplace: "workplaces/northside", EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_CONTRACTOR, Occupation: "climber"}}
	},
	"WorkplaceService.GetPerson": func(*world) proto.Message { return &pb.GetPersonRequest{Name: wren} },
	"WorkplaceService.ListPeople": func(*world) proto.Message {
		return &pb.ListPeopleRequest{Workplace: "workplaces/northside", PageSize: 2}
	},

	"ReportService.FileReport":    func(w *world) proto.Message { return filing(w) },
	"SealedService.GetSealingKey": func(*world) proto.Message { return &pb.GetSealingKeyRequest{} },
	"SealedService.FileSealed": func(w *world) proto.Message {
		return w.seal(&pb.SealedContent{File: filing(w)}, nil)
	},
	"ReportService.GetReport": func(w *world) proto.Message { return &pb.GetReportRequest{Name: w.report("read").GetName()} },
	"ReportService.ListReports": func(*world) proto.Message {
		return &pb.ListReportsRequest{Filter: filter(), PageSize: 2}
	},
	"ReportService.UpdateReport": func(w *world) proto.Message {
		r := w.report("amended")
		return &pb.UpdateReportRequest{RequestId: w.id(), Reason: "heard it again",
			Report: &pb.Report{Name: r.GetName(), Etag: r.GetEtag(), Spot: fmt.Sprint("pole ", w.next()),
				Harms: []*pb.Harm{{HarmId: "h1", Person: wren, Description: "bruised arm"}}}}
	},
	"ReportService.VoidReport": func(w *world) proto.Message {
		r := w.report("voided")
		return &pb.VoidReportRequest{Name: r.GetName(), Etag: r.GetEtag(), Reason: "told twice", RequestId: w.id()}
	},
	"ReportService.AddHarm": func(w *world) proto.Message {
		r := w.report(fmt.Sprint("harmed ", w.count/20))
		return &pb.AddHarmRequest{Name: r.GetName(), Etag: r.GetEtag(), RequestId: w.id(), Harm: &pb.Harm{
			Person: wren, Description: "cut finger", Treatment: pb.Treatment_TREATMENT_FIRST_AID}}
	},
	"ReportService.RecordOutcome": func(w *world) proto.Message {
		r := w.report("outcomes")
		return &pb.RecordOutcomeRequest{Name: r.GetName(), Etag: r.GetEtag(), HarmId: "h1", RequestId: w.id(),
			Change: &pb.OutcomeChange{Outcome: pb.OutcomeClass(3 + w.next()/2%2), EffectiveDate: "2026-02-24", Reason: "seen again"}}
	},
	"ReportService.RecordAbsence": func(w *world) proto.Message {
		r := w.report("absences")
		return &pb.RecordAbsenceRequest{Name: r.GetName(), Etag: r.GetEtag(), HarmId: "h1", RequestId: w.id(),
			Absence: &pb.Absence{FirstDate: "2026-02-25", ReturnDate: "2026-02-27", RosteredDays: proto.Int32(int32(w.next() % 3))}}
	},
	"ReportService.ListReportHistory": func(w *world) proto.Message {
		return &pb.ListReportHistoryRequest{Name: w.report("read").GetName()}
	},
	"ReportService.GetTeller": func(w *world) proto.Message {
		return &pb.GetTellerRequest{Name: w.report("read").GetName() + "/teller", Reason: "to ask about the rope"}
	},
	"ReportService.ImportReports": func(w *world) proto.Message {
		r := filing(w).GetReport()
		r.Origin = &pb.Origin{Dataset: "old-register", SourceId: fmt.Sprint("row ", w.next()), Title: "Branch", Attributes: map[string]string{"part": "shoulder"}}
		return &pb.ImportReportsRequest{Records: []*pb.ImportRecord{{SourceLine: 7, Report: r, Codings: []*pb.Coding{{HarmId: "h1", Mechanism: "21",
			Origin: pb.CodingOrigin_CODING_ORIGIN_CROSSWALK_NOT_REVIEWED, SourceCodes: map[string]string{"OIICS 2.01 event": "6412"},
			Answers: map[string]pb.AnswerState{"nature": pb.AnswerState_ANSWER_STATE_NOT_KNOWN}}}}}}
	},

	"ClassificationService.ListEditions": func(*world) proto.Message { return &pb.ListEditionsRequest{} },
	"ClassificationService.ListCodes": func(*world) proto.Message {
		return &pb.ListCodesRequest{Facet: pb.Facet_FACET_MECHANISM, Parent: "2"}
	},
	"ClassificationService.LookUpCodes": func(*world) proto.Message {
		return &pb.LookUpCodesRequest{Words: "hit by falling branch", Facet: pb.Facet_FACET_MECHANISM, Limit: 3}
	},
	"ClassificationService.AssignCoding": func(w *world) proto.Message {
		r := w.report(fmt.Sprint("coded ", w.next()))
		return &pb.AssignCodingRequest{Parent: r.GetName(), RequestId: w.id(), Coding: &pb.Coding{HarmId: "h1", Mechanism: "21", Nature: "169",
			Origin: pb.CodingOrigin_CODING_ORIGIN_PERSON, Note: "told twice", SourceCodes: map[string]string{"old": "x"},
			Answers: map[string]pb.AnswerState{"agency": pb.AnswerState_ANSWER_STATE_NOT_KNOWN}}}
	},
	"ClassificationService.ListCodings": func(w *world) proto.Message {
		return &pb.ListCodingsRequest{Parent: w.report("read").GetName()}
	},

	"HoursService.ImportHours": func(w *world) proto.Message {
		n := w.next()
		return &pb.ImportHoursRequest{RequestId: w.id(), Rows: []*pb.HoursRow{{Line: 2, Hours: &pb.Hours{Workplace: "workplaces/northside-trees",
			Month: fmt.Sprintf("%d-%02d", 1960+n/12%60, 1+n%12), EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE, HoursWorked: 1200,
			HeadCount: proto.Float64(9), Source: "payroll", Status: pb.HoursStatus_HOURS_STATUS_FINAL}}}}
	},
	"HoursService.ListHours": func(*world) proto.Message {
		return &pb.ListHoursRequest{Workplace: "workplaces/northside", StartMonth: "2025-01", EndMonth: "2026-03", PageSize: 2}
	},

	"MeasureService.ListMeasures": func(*world) proto.Message {
		return &pb.ListMeasuresRequest{Convention: pb.Convention_CONVENTION_ILO}
	},
	"MeasureService.ComputeRates": func(*world) proto.Message {
		return &pb.ComputeRatesRequest{Workplace: "workplaces/northside", Period: period(), Measures: []string{"frequency_rate"},
			Convention: pb.Convention_CONVENTION_AS_1885_1, Level: 0.9, EmploymentGroups: []pb.EmploymentGroup{1}, Datasets: []string{"here"}}
	},
	"MeasureService.ComputeChart": func(*world) proto.Message {
		return &pb.ComputeChartRequest{Measure: "reports", Workplace: "workplaces/northside", Period: period(), Convention: pb.Convention_CONVENTION_AS_1885_1,
			Kind: pb.ChartKind_CHART_KIND_C, BaselineMonths: 6, IncludeSvg: true, Filter: &pb.ReportFilter{Kinds: []pb.ReportKind{1}, Datasets: []string{"here"}}}
	},
	"ComputeService.ListMethods": func(*world) proto.Message { return &pb.ListMethodsRequest{} },
	"ComputeService.Compute": func(w *world) proto.Message {
		in, err := structpb.NewStruct(map[string]any{"count": 3, "exposure": 412_000})
		require.NoError(w.t, err)
		return &pb.ComputeRequest{Method: "rate", Inputs: in, IncludeSvg: true}
	},
	"MeasureService.RankCauses": func(*world) proto.Message {
		return &pb.RankCausesRequest{Filter: undated(), Period: period(), Dimension: pb.Dimension_DIMENSION_MECHANISM, CodeLevel: 1, RowLimit: 5, Level: 0.9, IncludeSvg: true}
	},
	"MeasureService.CrossCauses": func(*world) proto.Message {
		return &pb.CrossCausesRequest{Filter: undated(), Period: period(), Rows: pb.Dimension_DIMENSION_MECHANISM, Columns: pb.Dimension_DIMENSION_POTENTIAL,
			CodeLevel: 1, FalseDiscoveryRate: 0.1, MinSupport: 3, Level: 0.9, PairLimit: 5, IncludeSvg: true}
	},
	"MeasureService.FindClusters": func(*world) proto.Message {
		return &pb.FindClustersRequest{Filter: undated(), Period: period(), Category: pb.Dimension_DIMENSION_KIND, CodeLevel: 1, LongestWindow: 3,
			MinCount: 3, Basis: pb.ClusterBasis_CLUSTER_BASIS_OWN_PAST, FalseAlarmRate: 0.1, ClusterLimit: 5}
	},
	"MeasureService.Tabulate": func(*world) proto.Message {
		return &pb.TabulateRequest{Filter: filter(), Rows: pb.Dimension_DIMENSION_MECHANISM, Columns: pb.Dimension_DIMENSION_KIND, CodeLevel: 1}
	},

	"AttachmentService.AddAttachment": func(w *world) proto.Message {
		r := w.report(fmt.Sprint("attached to ", w.count/40))
		return &pb.AddAttachmentRequest{Chunk: onePixel, Header: &pb.AttachmentHeader{Report: r.GetName(), AttachmentId: w.id(), RequestId: w.id(),
			Caption: "the bolt in the fence", KeepLocation: true}}
	},
	"AttachmentService.ReadAttachment": func(w *world) proto.Message {
		return &pb.ReadAttachmentRequest{Name: w.attached().GetName(), Variant: pb.AttachmentVariant_ATTACHMENT_VARIANT_SMALL}
	},
	"AttachmentService.GetAttachment": func(w *world) proto.Message {
		return &pb.GetAttachmentRequest{Name: w.attached().GetName()}
	},
	"AttachmentService.ListAttachments": func(w *world) proto.Message {
		report, _, _ := strings.Cut(w.attached().GetName(), "/attachments/")
		return &pb.ListAttachmentsRequest{Parent: report, IncludeRemoved: true}
	},
	"AttachmentService.RemoveAttachment": func(w *world) proto.Message {
		a := w.attach(w.report(fmt.Sprint("detached from ", w.count/40)).GetName(), onePixel)
		return &pb.RemoveAttachmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "shows a face", RequestId: w.id()}
	},

	"SearchService.SearchReports": func(*world) proto.Message {
		return &pb.SearchReportsRequest{Words: "branch", Filter: filter(), PageSize: 2, Order: pb.SearchOrder_SEARCH_ORDER_NEWEST_FIRST, IncludeCounts: true}
	},

	"ExportService.GetSummary": func(*world) proto.Message { return summary() },
	"ExportService.ExportSummary": func(*world) proto.Message {
		return &pb.ExportSummaryRequest{Summary: summary(), Format: pb.FileFormat_FILE_FORMAT_CSV}
	},
	"ExportService.CompareSummaries": func(w *world) proto.Message {
		w.report("compared")
		return &pb.CompareSummariesRequest{Summary: summary(), From: asAt(2), To: asAt(3), ReportLimit: 7}
	},

	"ReadService.ListReads":    func(w *world) proto.Message { return &pb.ListReadsRequest{Report: w.report("read").GetName()} },
	"MaskService.SuggestMasks": func(w *world) proto.Message { return &pb.SuggestMasksRequest{Report: w.report("masked").GetName()} },
	"MaskService.SetMaskedText": func(w *world) proto.Message {
		r := w.report("masked")
		return &pb.SetMaskedTextRequest{Report: r.GetName(), Etag: r.GetEtag(), Narrative: fmt.Sprint("A branch came down. ", w.next()), RequestId: w.id()}
	},
	"KeeperService.ListKeepers": func(*world) proto.Message { return &pb.ListKeepersRequest{} },
	"MessageService.AskTeller": func(w *world) proto.Message {
		return &pb.AskTellerRequest{Report: w.report("asked").GetName(), Text: fmt.Sprint("Which step was it? ", w.next()), RequestId: w.id()}
	},
	"MessageService.TellProgress": func(w *world) proto.Message {
		return &pb.TellProgressRequest{Report: w.report("told").GetName(), Stage: pb.ProgressStage_PROGRESS_STAGE_MADE_SAFE, Text: fmt.Sprint("The step is taped off. ", w.next()), RequestId: w.id()}
	},
	"MessageService.ListReportMessages": func(w *world) proto.Message {
		return &pb.ListReportMessagesRequest{Report: w.report("heard").GetName()}
	},
	"MyReportService.ListMyReports": func(w *world) proto.Message {
		w.own("told by name")
		return &pb.ListMyReportsRequest{PageSize: 2}
	},
	"MyReportService.GetMyReport": func(w *world) proto.Message { return &pb.GetMyReportRequest{Name: w.own("told by name")} },
	"MyReportService.ListMyReportMessages": func(w *world) proto.Message {
		return &pb.ListMyReportMessagesRequest{Report: w.own("told by name")}
	},
	"MyReportService.AddMyReportMessage": func(w *world) proto.Message {
		n := w.next()
		return &pb.AddMyReportMessageRequest{Report: w.own(fmt.Sprint("answered ", n/20)), Text: fmt.Sprint("The third step. ", n), RequestId: w.id()}
	},
	"MyReportService.AcknowledgeMyReportMessage": func(w *world) proto.Message {
		q, err := pb.NewMessageServiceClient(w.Conn()).AskTeller(w.As("adviser"), &pb.AskTellerRequest{Report: w.own("read by name"), Text: fmt.Sprint("Which step? ", w.next())})
		require.NoError(w.t, err)
		return &pb.AcknowledgeMyReportMessageRequest{Name: q.GetName()}
	},
	"RetentionService.ListRetentionClasses": func(*world) proto.Message { return &pb.ListRetentionClassesRequest{} },
	"RetentionService.SetRetentionClass": func(w *world) proto.Message {
		return &pb.SetRetentionClassRequest{RetentionClass: class(w), Reason: "the committee decided it", RequestId: w.id()}
	},
	"RetentionService.AgreeRetentionClass": func(w *world) proto.Message {
		c := w.class()
		return &pb.AgreeRetentionClassRequest{Name: c.GetName(), Etag: c.GetEtag(), Reason: "read the Act", RequestId: w.id()}
	},
	"RetentionService.StopRetentionClass": func(w *world) proto.Message {
		c := w.class()
		resp, err := pb.NewRetentionServiceClient(w.Conn()).AgreeRetentionClass(w.As("adviser"),
			&pb.AgreeRetentionClassRequest{Name: c.GetName(), Etag: c.GetEtag(), Reason: "read the Act"})
		require.NoError(w.t, err)
		return &pb.StopRetentionClassRequest{Name: c.GetName(), Etag: resp.GetRetentionClass().GetEtag(), Reason: "the Act changed", RequestId: w.id()}
	},
	"RetentionService.ListLegalHolds": func(*world) proto.Message { return &pb.ListLegalHoldsRequest{} },
	"RetentionService.PlaceLegalHold": func(w *world) proto.Message {
		return &pb.PlaceLegalHoldRequest{LegalHold: hold(w), RequestId: w.id()}
	},
	"RetentionService.ReleaseLegalHold": func(w *world) proto.Message {
		resp, err := pb.NewRetentionServiceClient(w.Conn()).PlaceLegalHold(w.As("adviser"), &pb.PlaceLegalHoldRequest{LegalHold: hold(w)})
		require.NoError(w.t, err)
		h := resp.GetLegalHold()
		return &pb.ReleaseLegalHoldRequest{Name: h.GetName(), Etag: h.GetEtag(), Reason: "settled", RequestId: w.id()}
	},
	"RetentionService.PreviewRetention": func(*world) proto.Message { return &pb.PreviewRetentionRequest{Date: "2040-01-01"} },
	"RetentionService.ApplyRetention": func(w *world) proto.Message {
		due, err := pb.NewRetentionServiceClient(w.Conn()).PreviewRetention(w.As("adviser"), &pb.PreviewRetentionRequest{})
		require.NoError(w.t, err)
		return &pb.ApplyRetentionRequest{Etag: due.GetEtag(), Reason: fmt.Sprint("decision ", w.next()), RequestId: w.id()}
	},
	"RetentionService.ErasePerson": func(w *world) proto.Message {
		return &pb.ErasePersonRequest{Name: w.person(), Reason: "left, and asked", RequestId: w.id()}
	},
	"RetentionService.EraseTeller": func(w *world) proto.Message {
		return &pb.EraseTellerRequest{Name: w.report(fmt.Sprint("told ", w.next())).GetName() + "/teller", Reason: "asked to be forgotten", RequestId: w.id()}
	},
	"RetentionService.EraseReportText": func(w *world) proto.Message {
		r := w.report(fmt.Sprint("named ", w.next()))
		return &pb.EraseReportTextRequest{Name: r.GetName(), Etag: r.GetEtag(), Reason: "it named somebody", RequestId: w.id(),
			Texts: []*pb.TextInstead{{Field: "narrative", Text: "A branch came down."}, {Field: "spot"}}}
	},

	"ChangeService.ListChanges":   func(*world) proto.Message { return &pb.ListChangesRequest{AfterSequenceNumber: 1, PageSize: 2} },
	"ChangeService.WatchChanges":  func(*world) proto.Message { return &pb.WatchChangesRequest{AfterSequenceNumber: 1} },
	"ChangeService.GetHead":       func(*world) proto.Message { return &pb.GetHeadRequest{} },
	"ChangeService.GetCheckpoint": func(*world) proto.Message { return &pb.GetCheckpointRequest{} },
}

// asAt is the moment after a change.
func asAt(seq int64) *pb.AsAt {
	return &pb.AsAt{Moment: &pb.AsAt_SequenceNumber{SequenceNumber: seq}}
}

func summary() *pb.GetSummaryRequest {
	return &pb.GetSummaryRequest{Workplace: "workplaces/northside", Period: period(), Convention: pb.Convention_CONVENTION_AS_1885_1,
		Datasets: []string{"here"}, EmploymentGroups: []pb.EmploymentGroup{1}, SmallestCell: 1}
}

// TestGood proves that the requests which the other tests spoil are good, and
// that every method has one.
func TestGood(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	known := map[string]bool{}
	for _, m := range contract(t) {
		known[m.short] = true
		for range 2 {
			req := good[m.short](w)
			require.Equal(t, m.Input().FullName(), req.ProtoReflect().Descriptor().FullName())
			before := w.Head()
			out, err := send(w.As(m.role), w.Conn(), m, wire(t, req))
			require.NoError(t, err, "%s: %v", m.short, reasons(err))
			if m.short == "ReportService.ImportReports" {
				resp := &pb.ImportReportsResponse{}
				require.NoError(t, proto.Unmarshal(out, resp))
				require.Equal(t, pb.ImportStatus_IMPORT_STATUS_CREATED, resp.GetResults()[0].GetStatus(), "%v", resp.GetResults()[0].GetViolations())
			}
			require.Equal(t, m.writes() && m.short != "ReportService.GetTeller", w.Head() > before, "%s and the log", m.short)
		}
	}
	for short := range good {
		require.True(t, known[short], "%s is not in the contract", short)
	}
}
