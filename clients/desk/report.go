package desk

import (
	"context"
	"net/http"
	"strconv"
	"strings"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// showReport is one report with its codes and its history.
func (d *desk) showReport(v *visit) { d.renderReport(v, retry{}, http.StatusOK) }

// done are what the page says after a change.
var done = map[string]string{"amended": "Amended. The earlier words stay in the history.", "voided": "Taken out of every figure. The record stays.",
	"harm": "Added.", "outcome": "Recorded. The case counts once, in its worst outcome.", "absence": "Recorded.", "coded": "Coded.",
	"asked": "Asked. Whoever told this reads it by the receipt code.", "told": "Told. Whoever told this reads it by the receipt code.",
	"masked":   "Stored. Representatives and auditors read it so from now on.",
	"attached": "Added.", "removed": "Removed. That it was there stays in the history; its bytes are destroyed."}

// renderReport draws the page of a report, with a form that has to be sent
// again, if any.
func (d *desk) renderReport(v *visit, t retry, code int) {
	ctx := v.ctx()
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	past, wrong, err := d.pastOf(v, v.r.URL.Query().Get("as_at"), "as_at", places)
	if err == nil && len(wrong) > 0 {
		err = status.Error(codes.InvalidArgument, "as_at: "+wrong[0].Words)
	}
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	r, err := d.reports.GetReport(ctx, &pb.GetReportRequest{Name: words.Report(v.r.PathValue("id")), MinSequenceNumber: v.written, AsAt: past.message()})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	t.Flaws = located(t.Flaws, reportFields(t.Form))
	data := map[string]any{"Report": r, "Places": places, "Zone": places.Zone(r.GetWorkplace()), "Retry": t,
		"Voided": r.GetState() == pb.ReportState_REPORT_STATE_VOIDED, "Today": d.today(places.Zone(r.GetWorkplace()))}
	// What is past cannot be changed: its page has no forms.
	data["Closed"] = past != nil || r.GetState() == pb.ReportState_REPORT_STATE_VOIDED
	if v.may("ReportService.ListReportHistory") {
		h, err := d.reports.ListReportHistory(ctx, &pb.ListReportHistoryRequest{Name: r.GetName(), AsAt: past.message()})
		if err != nil {
			d.problem(v.w, v, err)
			return
		}
		data["History"] = h.GetEntries()
	}
	if err := d.attached(v, r, data); err != nil {
		d.problem(v.w, v, err)
		return
	}
	for _, part := range []func(*visit, *pb.Report, map[string]any) error{d.heard, d.covered, d.readers} {
		if err := part(v, r, data); err != nil {
			d.problem(v.w, v, err)
			return
		}
	}
	if v.may("ClassificationService.ListCodings") {
		c, err := d.codes.ListCodings(ctx, &pb.ListCodingsRequest{Parent: r.GetName(), AsAt: past.message()})
		if err != nil {
			d.problem(v.w, v, err)
			return
		}
		data["Codings"] = showCodings(c)
	}
	d.pages.render(v.w, code, "report", view{Title: "Report " + r.GetShortCode(), Here: "reports", Visit: v, Past: past, Done: done[v.r.URL.Query().Get("done")], Data: data})
}

// reportFields is how the page of a report shows the fields of one of its
// forms. The ids are the form's word, a hyphen, and the field.
func reportFields(form string) map[string]shown {
	at := func(field string) string { return strings.ReplaceAll(form, " ", "-") + "-" + field }
	out := map[string]shown{"reason": {"Why", at("reason")}}
	word, _, _ := strings.Cut(form, " ")
	switch word {
	case "amend":
		out["narrative"], out["spot"], out["done_right_away"] = shown{"What happened", at("narrative")}, shown{"Exact spot", at("spot")}, shown{"Done right away", at("done_right_away")}
	case "ask", "tell":
		out["text"], out["stage"] = shown{"Words", at("text")}, shown{"How far it has come", at("stage")}
	case "teller":
		out["passphrase"] = shown{"Your passphrase as a keeper", at("passphrase")}
	case "masked":
		out["narrative"] = shown{"The story for others", at("narrative")}
	case "attach":
		out["chunk"], out["caption"], out["keep_location"] = shown{"Photo or sound", at("file")}, shown{"What it shows or says", at("caption")}, shown{"Keep the place", at("keep_location")}
	case "harm":
		out["description"], out["outcome"] = shown{"The injury or illness", at("description")}, shown{"Outcome so far", at("outcome")}
		out["outcome_history"] = out["outcome"]
	case "outcome":
		out["outcome"], out["effective_date"], out["death_date"] = shown{"Outcome", at("outcome")}, shown{"From", at("effective_date")}, shown{"Date of death", at("death_date")}
	case "absence":
		out["first_date"], out["return_date"] = shown{"First full day or shift away", at("first_date")}, shown{"Back on", at("return_date")}
		out["rostered_days"] = shown{"Rostered days or shifts lost", at("rostered_days")}
	}
	return out
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
// was wrong. Nothing that was typed is lost.
func (d *desk) change(v *visit, form, done string, call func(ctx context.Context, name, etag, requestID string) (int64, error)) {
	if err := v.r.ParseForm(); err != nil {
		d.renderReport(v, retry{Flaws: []flaw{bad("", "the form could not be read; it may be too large")}}, http.StatusRequestEntityTooLarge)
		return
	}
	if harm := v.r.PostFormValue("harm_id"); harm != "" {
		form += " " + harm
	}
	again := retry{Form: form, Values: v.r.PostForm}
	id := v.r.PathValue("id")
	seq, err := call(v.ctx(), "reports/"+id, v.r.PostFormValue("etag"), v.r.PostFormValue("request_id"))
	if f, isBad := flaws(err); isBad {
		again.Flaws = f
		d.renderReport(v, again, http.StatusUnprocessableEntity)
		return
	}
	switch status.Code(err) {
	case codes.OK:
	case codes.Aborted:
		again.Flaws = []flaw{bad("", "Somebody else changed this report first. Look at what changed, below and in the history. Your words are still in the form; send them again if they still hold.")}
		d.renderReport(v, again, http.StatusConflict)
		return
	case codes.FailedPrecondition:
		again.Flaws = []flaw{bad("", status.Convert(err).Message())}
		d.renderReport(v, again, http.StatusConflict)
		return
	default:
		d.problem(v.w, v, err)
		return
	}
	d.sessions.wrote(v.id, seq)
	http.Redirect(v.w, v.r, "/reports/"+id+"?done="+done, http.StatusSeeOther)
}

func (d *desk) amend(v *visit) {
	d.change(v, "amend", "amended", func(ctx context.Context, name, etag, rid string) (int64, error) {
		resp, err := d.reports.UpdateReport(ctx, &pb.UpdateReportRequest{RequestId: rid, Reason: v.r.PostFormValue("reason"),
			Report:     &pb.Report{Name: name, Etag: etag, Narrative: posted(v.r, "narrative"), Spot: posted(v.r, "spot"), DoneRightAway: posted(v.r, "done_right_away")},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"narrative", "spot", "done_right_away"}}})
		return resp.GetSequenceNumber(), err
	})
}

func (d *desk) void(v *visit) {
	d.change(v, "void", "voided", func(ctx context.Context, name, etag, rid string) (int64, error) {
		resp, err := d.reports.VoidReport(ctx, &pb.VoidReportRequest{Name: name, Etag: etag, RequestId: rid, Reason: v.r.PostFormValue("reason")})
		return resp.GetSequenceNumber(), err
	})
}

func (d *desk) addHarm(v *visit) {
	d.change(v, "harm", "harm", func(ctx context.Context, name, etag, rid string) (int64, error) {
		h := &pb.Harm{Description: posted(v.r, "description"), EmploymentGroup: choice[pb.EmploymentGroup](v.r, "employment_group"), Treatment: choice[pb.Treatment](v.r, "treatment")}
		if o := choice[pb.OutcomeClass](v.r, "outcome"); o != 0 {
			h.OutcomeHistory = []*pb.OutcomeChange{{Outcome: o}}
		}
		resp, err := d.reports.AddHarm(ctx, &pb.AddHarmRequest{Name: name, Etag: etag, RequestId: rid, Harm: h})
		return resp.GetSequenceNumber(), err
	})
}

func (d *desk) recordOutcome(v *visit) {
	d.change(v, "outcome", "outcome", func(ctx context.Context, name, etag, rid string) (int64, error) {
		resp, err := d.reports.RecordOutcome(ctx, &pb.RecordOutcomeRequest{Name: name, Etag: etag, RequestId: rid, HarmId: v.r.PostFormValue("harm_id"),
			DeathDate: v.r.PostFormValue("death_date"),
			Change:    &pb.OutcomeChange{Outcome: choice[pb.OutcomeClass](v.r, "outcome"), EffectiveDate: v.r.PostFormValue("effective_date"), Reason: posted(v.r, "reason")}})
		return resp.GetSequenceNumber(), err
	})
}

func (d *desk) recordAbsence(v *visit) {
	d.change(v, "absence", "absence", func(ctx context.Context, name, etag, rid string) (int64, error) {
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
	return uuid.NewString()
}
