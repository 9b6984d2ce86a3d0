package desk

import (
	"context"
	"net/http"
	"strconv"
	"strings"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// showReport is one report with its codes and its history.
func (d *desk) showReport(v *visit) { d.renderReport(v, nil, http.StatusOK) }

// renderReport draws the page of a report, with what was wrong with a form on
// it, if anything.
func (d *desk) renderReport(v *visit, wrong []flaw, code int) {
	ctx := v.ctx()
	r, err := d.reports.GetReport(ctx, &pb.GetReportRequest{Name: words.Report(v.r.PathValue("id")), MinSequenceNumber: v.written})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	places, err := d.allPlaces(ctx)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	data := map[string]any{"Report": r, "Places": places, "Zone": places.Zone(r.GetWorkplace()), "Flaws": wrong,
		"Voided": r.GetState() == pb.ReportState_REPORT_STATE_VOIDED, "Posted": v.r.PostForm}
	if v.may("ReportService.ListReportHistory") {
		h, err := d.reports.ListReportHistory(ctx, &pb.ListReportHistoryRequest{Name: r.GetName()})
		if err != nil {
			d.problem(v.w, v, err)
			return
		}
		data["History"] = h.GetEntries()
	}
	if v.may("ClassificationService.ListCodings") {
		c, err := d.codes.ListCodings(ctx, &pb.ListCodingsRequest{Parent: r.GetName()})
		if err != nil {
			d.problem(v.w, v, err)
			return
		}
		data["Codings"] = showCodings(c)
	}
	done := map[string]string{"amended": "Amended. The earlier words stay in the history.", "voided": "Taken out of every figure. The record stays.",
		"harm": "Added.", "outcome": "Recorded. The case counts once, in its worst outcome.", "absence": "Recorded.", "coded": "Coded."}[v.r.URL.Query().Get("done")]
	d.pages.render(v.w, code, "report", view{Title: "Report " + r.GetShortCode(), Here: "reports", Visit: v, Done: done, Data: data})
}

// shownCoding is a coding with the titles of its codes.
type shownCoding struct {
	Coding *pb.Coding
	Codes  []*pb.Code
}

func showCodings(resp *pb.ListCodingsResponse) []shownCoding {
	title := map[string]*pb.Code{}
	for _, c := range resp.GetCodes() {
		title[c.GetFacet().String()+c.GetCode()] = c
	}
	var out []shownCoding
	for _, c := range resp.GetCodings() {
		s := shownCoding{Coding: c}
		for _, f := range []struct {
			facet pb.Facet
			code  string
		}{{pb.Facet_FACET_MECHANISM, c.GetMechanism()}, {pb.Facet_FACET_BREAKDOWN_AGENCY, c.GetBreakdownAgency()}, {pb.Facet_FACET_AGENCY, c.GetAgency()},
			{pb.Facet_FACET_NATURE, c.GetNature()}, {pb.Facet_FACET_BODILY_LOCATION, c.GetBodilyLocation()}} {
			if f.code == "" {
				continue
			}
			if full, ok := title[f.facet.String()+f.code]; ok {
				s.Codes = append(s.Codes, full)
			} else {
				s.Codes = append(s.Codes, &pb.Code{Facet: f.facet, Code: f.code})
			}
		}
		out = append(out, s)
	}
	return out
}

// change runs a change of the report and shows it, or the form again with what
// was wrong.
func (d *desk) change(v *visit, done string, call func(ctx context.Context, name, etag, requestID string) (int64, error)) {
	if err := v.r.ParseForm(); err != nil {
		d.renderReport(v, []flaw{{"", "the form could not be read; it may be too large"}}, http.StatusRequestEntityTooLarge)
		return
	}
	id := v.r.PathValue("id")
	seq, err := call(v.ctx(), "reports/"+id, v.r.PostFormValue("etag"), v.r.PostFormValue("request_id"))
	if f, bad := flaws(err); bad {
		d.renderReport(v, f, http.StatusUnprocessableEntity)
		return
	}
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	d.sessions.wrote(v.id, seq)
	http.Redirect(v.w, v.r, "/reports/"+id+"?done="+done, http.StatusSeeOther)
}

func (d *desk) amend(v *visit) {
	d.change(v, "amended", func(ctx context.Context, name, etag, rid string) (int64, error) {
		resp, err := d.reports.UpdateReport(ctx, &pb.UpdateReportRequest{RequestId: rid, Reason: v.r.PostFormValue("reason"),
			Report:     &pb.Report{Name: name, Etag: etag, Narrative: posted(v.r, "narrative"), Spot: posted(v.r, "spot"), DoneRightAway: posted(v.r, "done_right_away")},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"narrative", "spot", "done_right_away"}}})
		return resp.GetSequenceNumber(), err
	})
}

func (d *desk) void(v *visit) {
	d.change(v, "voided", func(ctx context.Context, name, etag, rid string) (int64, error) {
		resp, err := d.reports.VoidReport(ctx, &pb.VoidReportRequest{Name: name, Etag: etag, RequestId: rid, Reason: v.r.PostFormValue("reason")})
		return resp.GetSequenceNumber(), err
	})
}

func (d *desk) addHarm(v *visit) {
	d.change(v, "harm", func(ctx context.Context, name, etag, rid string) (int64, error) {
		h := &pb.Harm{Description: posted(v.r, "description"), EmploymentGroup: choice[pb.EmploymentGroup](v.r, "employment_group"), Treatment: choice[pb.Treatment](v.r, "treatment")}
		if o := choice[pb.OutcomeClass](v.r, "outcome"); o != 0 {
			h.OutcomeHistory = []*pb.OutcomeChange{{Outcome: o}}
		}
		resp, err := d.reports.AddHarm(ctx, &pb.AddHarmRequest{Name: name, Etag: etag, RequestId: rid, Harm: h})
		return resp.GetSequenceNumber(), err
	})
}

func (d *desk) recordOutcome(v *visit) {
	d.change(v, "outcome", func(ctx context.Context, name, etag, rid string) (int64, error) {
		resp, err := d.reports.RecordOutcome(ctx, &pb.RecordOutcomeRequest{Name: name, Etag: etag, RequestId: rid, HarmId: v.r.PostFormValue("harm_id"),
			DeathDate: v.r.PostFormValue("death_date"),
			Change:    &pb.OutcomeChange{Outcome: choice[pb.OutcomeClass](v.r, "outcome"), EffectiveDate: v.r.PostFormValue("effective_date"), Reason: posted(v.r, "reason")}})
		return resp.GetSequenceNumber(), err
	})
}

func (d *desk) recordAbsence(v *visit) {
	d.change(v, "absence", func(ctx context.Context, name, etag, rid string) (int64, error) {
		a := &pb.Absence{FirstDate: v.r.PostFormValue("first_date"), ReturnDate: v.r.PostFormValue("return_date")}
		if s := strings.TrimSpace(v.r.PostFormValue("rostered_days")); s != "" {
			n, err := strconv.Atoi(s)
			if err != nil {
				n = -1 // the service says what is wrong with it
			}
			days := int32(n)
			a.RosteredDays = &days
		}
		resp, err := d.reports.RecordAbsence(ctx, &pb.RecordAbsenceRequest{Name: name, Etag: etag, RequestId: rid, HarmId: v.r.PostFormValue("harm_id"),
			Absence: a, RestrictedDuties: v.r.PostFormValue("restricted") != ""})
		return resp.GetSequenceNumber(), err
	})
}

// posted returns a text field with its line ends made plain.
func posted(r *http.Request, name string) string {
	return strings.TrimSpace(strings.ReplaceAll(r.PostFormValue(name), "\r\n", "\n"))
}

// choice returns the value that a select or radio field names; 0 when none.
func choice[E words.Enum](r *http.Request, name string) E {
	e, err := words.Parse[E](r.PostFormValue(name))
	if err != nil {
		return 0
	}
	return e
}

// newID mints an id for a form, so that sending it twice stores it once.
func newID() string {
	id, err := uuid.NewV7()
	if err != nil {
		return uuid.NewString()
	}
	return id.String()
}
