package demo

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
)

// DefaultSeed is the seed of the demonstration world. It was chosen, the first of
// some 3,000 tried, because with it the charts of all crews say at every date
// what the package says of the world (TestTruths). With most others a year of the
// mowing crew's real improvement is still too short to show, or chance crosses a
// limit somewhere, as it does in any real year.
const DefaultSeed = 20263776

// TimeZone is where the shire lies.
const TimeZone = "Australia/Sydney"

// Counts is what was made.
type Counts struct{ Workplaces, People, Reports, Codings, HoursRows int }

// Token returns the demonstration token of a role: `demo-adviser`. They are
// known to everybody and work in a demonstration only.
func Token(role string) string { return "demo-" + role }

// Seeder makes the world by calling the services.
type Seeder struct {
	// Conn reaches the services.
	Conn grpc.ClientConnInterface
	// Clock is the clock that the services look at.
	Clock *Clock
	// Seed draws the world.
	Seed uint64
	// Now is the end of the world's time.
	Now time.Time
}

// action is one call, at its time.
type action struct {
	at time.Time
	do func(ctx context.Context) error
}

// Seed fills an empty house. It can be run again after a crash: every call
// carries ids that follow from the seed.
func (s *Seeder) Run(ctx context.Context) (Counts, error) {
	loc, err := time.LoadLocation(TimeZone)
	if err != nil {
		return Counts{}, fmt.Errorf("demo: time zone: %w", err)
	}
	w := draw(s.Seed, s.Now, loc)
	var n Counts
	actions := s.settings(w, &n)
	actions = append(actions, s.months(w, &n)...)
	for i := range w.events {
		actions = append(actions, s.filing(&w.events[i], &n)...)
	}
	actions = append(actions, s.pictures(w)...)
	slices.SortStableFunc(actions, func(a, b action) int { return cmp.Compare(a.at.UnixNano(), b.at.UnixNano()) })
	defer s.Clock.Release()
	for _, a := range actions {
		if a.at.After(s.Now) {
			continue
		}
		s.Clock.Set(a.at)
		if err := a.do(ctx); err != nil {
			return n, fmt.Errorf("demo: at %s: %w%s", a.at.Format(time.DateOnly), err, fields(err))
		}
	}
	return n, nil
}

// fields says what was wrong field by field, for whoever changes the world.
func fields(err error) string {
	out := ""
	for _, d := range status.Convert(err).Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range br.GetFieldViolations() {
				out += "; " + v.GetField() + ": " + v.GetDescription()
			}
		}
	}
	return out
}

// as returns a context that calls as a role.
func as(ctx context.Context, role string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+Token(role))
}

// id returns a UUID that follows from the seed and the parts.
func (s *Seeder) id(parts ...any) string {
	return uuid.NewSHA1(uuid.NameSpaceOID, []byte(fmt.Sprint("fairlead demo ", s.Seed, parts))).String()
}

// settings makes workplaces and people on the day before month 1.
func (s *Seeder) settings(w world, n *Counts) []action {
	day := w.start.AddDate(0, 0, -1)
	client := pb.NewWorkplaceServiceClient(s.Conn)
	var out []action
	for i, p := range places {
		wp := &pb.Workplace{Name: "workplaces/" + p.id, Title: p.title, Level: p.level}
		if p.parent != "" {
			wp.Parent = "workplaces/" + p.parent
		} else {
			wp.TimeZone, wp.Jurisdiction, wp.IndustryCode = TimeZone, "AU-NSW", "ANZSIC:O"
		}
		out = append(out, action{day.Add(time.Duration(i) * time.Second), func(ctx context.Context) error {
			n.Workplaces++
			_, err := client.CreateWorkplace(as(ctx, "administrator"), &pb.CreateWorkplaceRequest{Workplace: wp, RequestId: s.id("workplace", wp.Name)})
			return err
		}})
	}
	i := 0
	for _, c := range crews {
		for g, heads := range c.heads {
			for range heads {
				name := personName(i)
				p := &pb.Person{Name: "people/" + strings.ToLower(strings.ReplaceAll(name, " ", "-")), DisplayName: name,
					Workplace: "workplaces/" + c.id, EmploymentGroup: groups[g]}
				out = append(out, action{day.Add(time.Hour + time.Duration(i)*time.Second), func(ctx context.Context) error {
					n.People++
					_, err := client.CreatePerson(as(ctx, "administrator"), &pb.CreatePersonRequest{Person: p, RequestId: s.id("person", p.Name)})
					return err
				}})
				i++
			}
		}
	}
	return out
}

// months imports each month's hours on the fifth of the next.
func (s *Seeder) months(w world, n *Counts) []action {
	byMonth := map[time.Time][]*pb.HoursRow{}
	for _, h := range w.hours {
		row := &pb.Hours{Workplace: "workplaces/" + h.crew, Month: h.month.Format("2006-01"), EmploymentGroup: h.group,
			HoursWorked: h.worked, HeadCount: &h.heads, Source: "payroll", Status: pb.HoursStatus_HOURS_STATUS_FINAL}
		if h.group != groups[0] {
			row.Source = "supplier invoices"
		}
		if h.provisional {
			row.Status = pb.HoursStatus_HOURS_STATUS_PROVISIONAL
		}
		byMonth[h.month] = append(byMonth[h.month], &pb.HoursRow{Hours: row})
	}
	client := pb.NewHoursServiceClient(s.Conn)
	var out []action
	for month, rows := range byMonth {
		at := month.AddDate(0, 1, 4).Add(9 * time.Hour)
		if at.After(s.Now) {
			// On the first days of a month last month's hours come in early.
			at = s.Now.Add(-time.Minute)
		}
		out = append(out, action{at, func(ctx context.Context) error {
			n.HoursRows += len(rows)
			_, err := client.ImportHours(as(ctx, "adviser"), &pb.ImportHoursRequest{Rows: rows, RequestId: s.id("hours", month.Format("2006-01"))})
			return err
		}})
	}
	return out
}

// filing makes the calls of one event: file, later outcomes, code.
func (s *Seeder) filing(e *event, n *Counts) []action {
	reports := pb.NewReportServiceClient(s.Conn)
	r := &pb.Report{
		Name: "reports/" + s.id("report", e.serial), Kind: e.kind, Workplace: "workplaces/" + e.crew.id, Narrative: e.text,
		LanguageCode: "en-AU", OccurTime: timestamppb.New(e.at), OccurPrecision: pb.TimePrecision_TIME_PRECISION_ABOUT,
		Potential: e.grave, TellerMode: e.mode, TellerRole: pb.TellerRole_TELLER_ROLE_WORKER,
	}
	if e.kind == release {
		t := releaseTexts[e.spill]
		reached := pb.WaterReached_WATER_REACHED_NO
		if t.toDrain {
			reached = pb.WaterReached_WATER_REACHED_DRAIN
		}
		r.Release = &pb.Release{Substance: t.substance, Quantity: &t.litres, QuantityUnit: "L", WaterReached: reached, StepsTaken: "Sand and absorbent put down, bagged."}
	}
	if len(e.steps) > 0 {
		h := &pb.Harm{HarmId: "h1", EmploymentGroup: e.group}
		first := e.steps[0]
		h.OutcomeHistory = []*pb.OutcomeChange{{Outcome: first.outcome, EffectiveDate: first.at.Format(time.DateOnly)}}
		h.Treatment = treatment[first.outcome]
		r.Harms = []*pb.Harm{h}
	}
	var etag string
	out := []action{{e.filed, func(ctx context.Context) error {
		n.Reports++
		req := &pb.FileReportRequest{Report: r, RequestId: s.id("file", e.serial)}
		if e.mode != pb.TellerMode_TELLER_MODE_ANONYMOUS {
			req.Teller = &pb.Teller{DisplayName: personName((e.serial * 37) % People())}
		}
		resp, err := reports.FileReport(as(ctx, "worker"), req)
		etag = resp.GetReport().GetEtag()
		return err
	}}}
	for i, st := range e.steps {
		at := later(e.filed, st.at, i)
		if i > 0 {
			out = append(out, action{at, func(ctx context.Context) error {
				resp, err := reports.RecordOutcome(as(ctx, "adviser"), &pb.RecordOutcomeRequest{Name: r.Name, Etag: etag, HarmId: "h1",
					Change:    &pb.OutcomeChange{Outcome: st.outcome, EffectiveDate: st.at.Format(time.DateOnly), Reason: "seen again by the doctor"},
					RequestId: s.id("outcome", e.serial, i)})
				etag = resp.GetReport().GetEtag()
				return err
			}})
		}
		if st.away > 0 {
			first := st.at.AddDate(0, 0, 1)
			back := first.AddDate(0, 0, st.away*7/5+1)
			a := &pb.Absence{FirstDate: first.Format(time.DateOnly)}
			// The first day away is known when it has come.
			known := time.Date(first.Year(), first.Month(), first.Day(), 17, 0, 0, 0, first.Location())
			if known.Before(at) {
				known = at.Add(time.Minute)
			}
			if !st.open && !back.After(s.Now) {
				days := int32(st.away)
				a.ReturnDate, a.RosteredDays = back.Format(time.DateOnly), &days
				known = back.Add(10 * time.Hour)
			}
			if known.Before(at) {
				// Told late: the return is known once the report is there.
				known = at.Add(time.Minute)
			}
			out = append(out, action{known, func(ctx context.Context) error {
				resp, err := reports.RecordAbsence(as(ctx, "adviser"), &pb.RecordAbsenceRequest{Name: r.Name, Etag: etag, HarmId: "h1",
					Absence: a, RequestId: s.id("absence", e.serial, i)})
				etag = resp.GetReport().GetEtag()
				return err
			}})
		}
	}
	if !e.coded.IsZero() && e.kind != damage && e.kind != release {
		out = append(out, s.coding(e, r.Name, n))
	}
	return out
}

// later is when the house learns of the i-th outcome.
func later(filed, at time.Time, i int) time.Time {
	if t := at.Add(26 * time.Hour); i > 0 && t.After(filed) {
		return t
	}
	return filed.Add(time.Duration(i+1) * time.Hour)
}

var treatment = map[pb.OutcomeClass]pb.Treatment{
	pb.OutcomeClass_OUTCOME_CLASS_FIRST_AID:         pb.Treatment_TREATMENT_FIRST_AID,
	pb.OutcomeClass_OUTCOME_CLASS_MEDICAL_TREATMENT: pb.Treatment_TREATMENT_MEDICAL,
	pb.OutcomeClass_OUTCOME_CLASS_RESTRICTED_WORK:   pb.Treatment_TREATMENT_MEDICAL,
	pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME:         pb.Treatment_TREATMENT_MEDICAL,
}

func (s *Seeder) coding(e *event, report string, n *Counts) action {
	c := &pb.Coding{Mechanism: e.story.mechanism, BreakdownAgency: e.story.breakdown, Origin: pb.CodingOrigin_CODING_ORIGIN_PERSON}
	if e.kind == hurt {
		c.HarmId, c.Nature, c.BodilyLocation, c.Agency = "h1", e.harm[0], e.harm[1], e.story.agency
	}
	client := pb.NewClassificationServiceClient(s.Conn)
	return action{e.coded, func(ctx context.Context) error {
		n.Codings++
		_, err := client.AssignCoding(as(ctx, "adviser"), &pb.AssignCodingRequest{Parent: report, Coding: c, RequestId: s.id("code", e.serial)})
		return err
	}}
}
