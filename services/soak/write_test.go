package soak

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
)

// stem begins every word that the clients make up, and is in no other word: the
// log is searched for it.
const stem = "zorvil"

// word mints a word that no other tablet has, in letters, so that search takes
// no two for slips of each other.
func (b *tablet) word() string {
	b.words++
	w := stem
	for _, d := range fmt.Sprintf("%02d%06d", b.n, b.words) {
		w += string("bdfgkmnprt"[d-'0'])
	}
	return w
}

// id mints an id from the tablet's own chance, so that a run can be repeated.
func (b *tablet) id() string {
	var u uuid.UUID
	for i := range u {
		u[i] = byte(b.rng.UintN(256))
	}
	u[6], u[8] = u[6]&0x0f|0x70, u[8]&0x3f|0x80
	return u.String()
}

// base is the day before which everything happened that the clients tell: far
// enough in the past for any clock that the tests set.
var base = time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -120)

// report makes something up.
func (b *tablet) report() *pb.Report {
	r := &pb.Report{
		Kind: pb.ReportKind(1 + b.rng.IntN(6)), Workplace: b.crew, Narrative: "the " + b.word() + " came down near a " + stem,
		OccurTime:      timestamppb.New(base.AddDate(0, 0, -b.rng.IntN(240)).Add(time.Duration(b.rng.IntN(1440)) * time.Minute)),
		OccurPrecision: pb.TimePrecision_TIME_PRECISION_ABOUT, Potential: pb.PotentialSeverity(b.rng.IntN(5)),
		TaskBefore: "carrying " + b.word(), TellerMode: pb.TellerMode(1 + b.rng.IntN(3)),
	}
	switch r.Kind {
	case pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS:
		r.Harms = []*pb.Harm{b.harm()}
	case pb.ReportKind_REPORT_KIND_DAMAGE:
		r.Damage = "a bent " + b.word()
	case pb.ReportKind_REPORT_KIND_RELEASE:
		r.Release = &pb.Release{Substance: b.word(), Quantity: proto.Float64(float64(b.rng.IntN(90))), QuantityUnit: "L",
			WaterReached: pb.WaterReached(1 + b.rng.IntN(3)), StepsTaken: "spread " + b.word()}
	}
	return r
}

func (b *tablet) harm() *pb.Harm {
	return &pb.Harm{EmploymentGroup: pb.EmploymentGroup(1 + b.rng.IntN(4)), AgeBand: pb.AgeBand(1 + b.rng.IntN(6)),
		Description: "bruised " + b.word(), Treatment: pb.Treatment_TREATMENT_FIRST_AID,
		OutcomeHistory: []*pb.OutcomeChange{{Outcome: pb.OutcomeClass_OUTCOME_CLASS_FIRST_AID, Reason: "seen by " + b.word()}}}
}

func (b *tablet) file() *deed {
	r := b.report()
	r.Name = "reports/" + b.id()
	req := &pb.FileReportRequest{Report: r, RequestId: b.id()}
	p := &paper{report: r}
	if r.TellerMode != pb.TellerMode_TELLER_MODE_ANONYMOUS && b.rng.IntN(3) > 0 {
		req.Teller = &pb.Teller{DisplayName: b.word(), Contact: "channel " + b.word()}
		p.teller = true
	}
	return &deed{what: "file", about: p, again: filedOnce,
		send: call(func(c grpc.ClientConnInterface) func(context.Context, *pb.FileReportRequest, ...grpc.CallOption) (*pb.FileReportResponse, error) {
			return pb.NewReportServiceClient(c).FileReport
		}, req),
		learn: func(m proto.Message) error {
			a, ok := m.(*pb.FileReportResponse)
			if !ok || a.GetReport().GetName() != r.Name || a.GetSequenceNumber() == 0 || a.GetReport().GetNarrative() != r.Narrative {
				return fmt.Errorf("%s is answered with %v", r.Name, m)
			}
			p.report, p.seqs = a.GetReport(), []int64{a.GetSequenceNumber()}
			b.papers = append(b.papers, p)
			return nil
		}}
}

// filedOnce is how a filing is answered when it is replayed: as the first time,
// save that nobody keeps a receipt code, so that another is made.
func filedOnce(first, now proto.Message) error {
	a, b := proto.CloneOf(first.(*pb.FileReportResponse)), proto.CloneOf(now.(*pb.FileReportResponse))
	a.ReceiptCode, b.ReceiptCode = "", ""
	return equal(a, b)
}

func (b *tablet) amend(p *paper) *deed {
	with := &pb.Report{Name: p.report.GetName(), Etag: p.report.GetEtag(), Spot: "by the " + b.word()}
	if b.rng.IntN(2) == 0 {
		with.Narrative = "heard again: the " + b.word() + " fell on a " + stem
	}
	if b.rng.IntN(3) == 0 {
		with.Potential = pb.PotentialSeverity(1 + b.rng.IntN(4))
	}
	return &deed{what: "amend", about: p, again: equal, learn: p.took,
		send: call(func(c grpc.ClientConnInterface) func(context.Context, *pb.UpdateReportRequest, ...grpc.CallOption) (*pb.WriteReportResponse, error) {
			return pb.NewReportServiceClient(c).UpdateReport
		}, &pb.UpdateReportRequest{Report: with, Reason: "asked " + b.word(), RequestId: b.id()})}
}

func (b *tablet) addHarm(p *paper) *deed {
	return &deed{what: "add harm", about: p, again: equal, learn: p.took,
		send: call(func(c grpc.ClientConnInterface) func(context.Context, *pb.AddHarmRequest, ...grpc.CallOption) (*pb.WriteReportResponse, error) {
			return pb.NewReportServiceClient(c).AddHarm
		}, &pb.AddHarmRequest{Name: p.report.GetName(), Etag: p.report.GetEtag(), Harm: b.harm(), RequestId: b.id()})}
}

func (b *tablet) recordOutcome(p *paper) *deed {
	// Another than the last: the same again would change nothing.
	history := p.report.GetHarms()[0].GetOutcomeHistory()
	outcome := 2 + (history[len(history)-1].GetOutcome()-2+pb.OutcomeClass(1+b.rng.IntN(3)))%4
	return &deed{what: "record outcome", about: p, again: equal, learn: p.took,
		send: call(func(c grpc.ClientConnInterface) func(context.Context, *pb.RecordOutcomeRequest, ...grpc.CallOption) (*pb.WriteReportResponse, error) {
			return pb.NewReportServiceClient(c).RecordOutcome
		}, &pb.RecordOutcomeRequest{Name: p.report.GetName(), Etag: p.report.GetEtag(), HarmId: p.report.GetHarms()[0].GetHarmId(), RequestId: b.id(),
			Change: &pb.OutcomeChange{Outcome: outcome, Reason: "seen by " + b.word()}})}
}

func (b *tablet) recordAbsence(p *paper) *deed {
	first := p.report.GetOccurTime().AsTime().AddDate(0, 0, 2+7*p.absences)
	return &deed{what: "record absence", about: p, again: equal,
		learn: func(m proto.Message) error {
			p.absences++
			return p.took(m)
		},
		send: call(func(c grpc.ClientConnInterface) func(context.Context, *pb.RecordAbsenceRequest, ...grpc.CallOption) (*pb.WriteReportResponse, error) {
			return pb.NewReportServiceClient(c).RecordAbsence
		}, &pb.RecordAbsenceRequest{Name: p.report.GetName(), Etag: p.report.GetEtag(), HarmId: p.report.GetHarms()[0].GetHarmId(), RequestId: b.id(),
			Absence: &pb.Absence{FirstDate: first.Format(time.DateOnly), ReturnDate: first.AddDate(0, 0, 3).Format(time.DateOnly), RosteredDays: proto.Int32(int32(b.rng.IntN(4)))}})}
}

func (b *tablet) void(p *paper) *deed {
	return &deed{what: "void", about: p, again: equal, learn: p.took,
		send: call(func(c grpc.ClientConnInterface) func(context.Context, *pb.VoidReportRequest, ...grpc.CallOption) (*pb.WriteReportResponse, error) {
			return pb.NewReportServiceClient(c).VoidReport
		}, &pb.VoidReportRequest{Name: p.report.GetName(), Etag: p.report.GetEtag(), Reason: "told twice: " + b.word(), RequestId: b.id()})}
}

func (b *tablet) code(p *paper) *deed {
	coding := &pb.Coding{Mechanism: "21", Origin: pb.CodingOrigin_CODING_ORIGIN_PERSON, Note: "like " + b.word()}
	if harms := p.report.GetHarms(); len(harms) > 0 {
		coding.HarmId, coding.Nature = harms[0].GetHarmId(), "169"
	}
	return &deed{what: "code", about: p, again: equal,
		learn: func(m proto.Message) error {
			a, ok := m.(*pb.AssignCodingResponse)
			if !ok || a.GetSequenceNumber() <= p.seqs[len(p.seqs)-1] {
				return fmt.Errorf("a coding of %s is answered with %v", p.report.GetName(), m)
			}
			p.coding = a.GetCoding()
			return nil
		},
		send: call(func(c grpc.ClientConnInterface) func(context.Context, *pb.AssignCodingRequest, ...grpc.CallOption) (*pb.AssignCodingResponse, error) {
			return pb.NewClassificationServiceClient(c).AssignCoding
		}, &pb.AssignCodingRequest{Parent: p.report.GetName(), Coding: coding, RequestId: b.id()})}
}
