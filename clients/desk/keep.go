package desk

import (
	"context"
	"maps"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// keepForm is a form of the page that was sent and came back, with what was
// typed into it.
type keepForm struct {
	Name   string
	Values url.Values
	Flaws  []flaw
	// Found says what an erasure would erase, before it does.
	Found *pb.EraseResponse
}

// Val returns what was typed into a field of a form, "" when another came back.
func (f keepForm) Val(form, field string) string {
	if f.Name != form {
		return ""
	}
	return f.Values.Get(field)
}

// keepDone are the words for what was done.
var keepDone = map[string]string{"agreed": "You agreed to the class.", "stopped": "The class is out of force.",
	"class": "The class is stored. An adviser and an administrator must agree to it before it does anything.",
	"held":  "The hold is in force.", "released": "The hold is released. It stays on record.",
	"applied": "Taken out. What is still due, if anything, is below.",
	"teller":  "Who told that report is erased.", "person": "The person is erased."}

// keepFields is how the page shows the fields of its forms.
var keepFields = map[string]shown{
	"title": {"What it is about", "class-title"}, "months": {"Months", "class-months"}, "start": {"Counted from", "class-start"},
	"step": {"What may happen then", "class-step"}, "source": {"Where the period comes from", "class-source"},
	"asked_by": {"Who asked", "hold-asked_by"}, "filter": {"What is held", "hold-workplace"}, "etag": {"The list", "apply-reason"},
}

// keeping is "keeping and forgetting".
func (d *desk) keeping(v *visit) { d.renderKeep(v, keepForm{}, http.StatusOK) }

func (d *desk) renderKeep(v *visit, form keepForm, code int) {
	ctx := v.ctx()
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	classes, err := d.retention.ListRetentionClasses(ctx, &pb.ListRetentionClassesRequest{})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	holds, err := d.retention.ListLegalHolds(ctx, &pb.ListLegalHoldsRequest{})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	form.Flaws = located(form.Flaws, formFields(form.Name))
	data := map[string]any{"Classes": classes.GetClasses(), "Holds": holds.GetLegalHolds(), "Form": form, "Places": places, "Home": places.Home()}
	// Whoever is bound to a part of the tree sees the rules, and not what is due
	// everywhere.
	if due, err := d.retention.PreviewRetention(ctx, &pb.PreviewRetentionRequest{}); err == nil {
		total := int64(0)
		for _, c := range due.GetDue() {
			total += c.GetCount()
		}
		data["Due"], data["Total"] = due, total
	} else if status.Code(err) != codes.PermissionDenied {
		d.problem(v.w, v, err)
		return
	}
	d.pages.render(v.w, code, "keep", view{Title: "Keeping and forgetting", Here: "setup", Visit: v, Done: keepDone[v.r.URL.Query().Get("done")], Data: data})
}

// formFields is how a form shows its fields: reason and name are in several.
func formFields(form string) map[string]shown {
	out := map[string]shown{"reason": {"Why", form + "-reason"}, "name": {"Short name", form + "-id"}}
	maps.Copy(out, keepFields)
	if form == "class" {
		out["filter"] = shown{"Which reports", "class-kind"}
	}
	return out
}

// keep runs what a form of the page asks for and goes back to the page, or shows
// the form again with what was wrong.
func (d *desk) keep(form, done string, do func(ctx context.Context, r *http.Request) (int64, error)) func(*visit) {
	return func(v *visit) {
		if err := v.r.ParseForm(); err != nil {
			d.renderKeep(v, keepForm{Name: form, Flaws: []flaw{bad("", "the form could not be read; it may be too large")}}, http.StatusRequestEntityTooLarge)
			return
		}
		seq, err := do(v.ctx(), v.r)
		if err != nil {
			d.keepAgain(v, form, err)
			return
		}
		d.sessions.wrote(v.id, seq)
		http.Redirect(v.w, v.r, "/keep?done="+done, http.StatusSeeOther)
	}
}

// keepAgain shows a form again.
func (d *desk) keepAgain(v *visit, form string, err error) {
	again := keepForm{Name: form, Values: v.r.PostForm}
	if list, isBad := flaws(err); isBad {
		again.Flaws = list
		d.renderKeep(v, again, http.StatusUnprocessableEntity)
		return
	}
	switch status.Code(err) {
	case codes.Aborted, codes.FailedPrecondition, codes.AlreadyExists, codes.NotFound:
		again.Flaws = []flaw{bad("", status.Convert(err).Message())}
		d.renderKeep(v, again, http.StatusConflict)
	default:
		d.problem(v.w, v, err)
	}
}

func (d *desk) agreeClass(ctx context.Context, r *http.Request) (int64, error) {
	resp, err := d.retention.AgreeRetentionClass(ctx, &pb.AgreeRetentionClassRequest{Name: posted(r, "name"), Etag: posted(r, "etag"),
		Reason: posted(r, "reason"), RequestId: posted(r, "request_id")})
	return resp.GetSequenceNumber(), err
}

func (d *desk) stopClass(ctx context.Context, r *http.Request) (int64, error) {
	resp, err := d.retention.StopRetentionClass(ctx, &pb.StopRetentionClassRequest{Name: posted(r, "name"), Etag: posted(r, "etag"),
		Reason: posted(r, "reason"), RequestId: posted(r, "request_id")})
	return resp.GetSequenceNumber(), err
}

func (d *desk) setClass(ctx context.Context, r *http.Request) (int64, error) {
	months, err := strconv.Atoi(posted(r, "months"))
	if err != nil {
		months = -1 // the service says what is wrong with it
	}
	c := &pb.RetentionClass{Name: "retentionClasses/" + posted(r, "id"), Title: posted(r, "title"), Months: int32(months), Source: posted(r, "source"),
		Start: choice[pb.RetentionStart](r, "start"), Step: choice[pb.RetentionStep](r, "step"), Filter: formFilter(r)}
	resp, err := d.retention.SetRetentionClass(ctx, &pb.SetRetentionClassRequest{RetentionClass: c, Reason: posted(r, "reason"), RequestId: posted(r, "request_id")})
	return resp.GetSequenceNumber(), err
}

// formFilter reads which reports a form picks.
func formFilter(r *http.Request) *pb.ReportFilter {
	f := &pb.ReportFilter{}
	if w := posted(r, "workplace"); w != "" {
		f.Workplaces = []string{w}
	}
	if k := choice[pb.ReportKind](r, "kind"); k != 0 {
		f.Kinds = []pb.ReportKind{k}
	}
	return f
}

func (d *desk) placeHold(ctx context.Context, r *http.Request) (int64, error) {
	h := &pb.LegalHold{Name: "legalHolds/" + posted(r, "id"), Reason: posted(r, "reason"), AskedBy: posted(r, "asked_by")}
	switch posted(r, "what") {
	case "all":
		h.Filter = &pb.ReportFilter{}
	case "pick":
		h.Filter = formFilter(r)
	}
	for _, code := range strings.Fields(strings.ReplaceAll(posted(r, "reports"), ",", " ")) {
		found, err := d.reports.GetReport(ctx, &pb.GetReportRequest{Name: words.Report(code)})
		if err != nil {
			return 0, err
		}
		h.Reports = append(h.Reports, found.GetName())
	}
	for _, id := range strings.Fields(strings.ReplaceAll(posted(r, "people"), ",", " ")) {
		h.People = append(h.People, words.Person(id))
	}
	resp, err := d.retention.PlaceLegalHold(ctx, &pb.PlaceLegalHoldRequest{LegalHold: h, RequestId: posted(r, "request_id")})
	return resp.GetSequenceNumber(), err
}

func (d *desk) releaseHold(ctx context.Context, r *http.Request) (int64, error) {
	resp, err := d.retention.ReleaseLegalHold(ctx, &pb.ReleaseLegalHoldRequest{Name: posted(r, "name"), Etag: posted(r, "etag"),
		Reason: posted(r, "reason"), RequestId: posted(r, "request_id")})
	return resp.GetSequenceNumber(), err
}

// applyDue takes out what was due when the page was drawn, a part at a time:
// what remains is looked at again.
func (d *desk) applyDue(ctx context.Context, r *http.Request) (int64, error) {
	if posted(r, "seen") == "" {
		return 0, status.Error(codes.FailedPrecondition, "tick that you have looked at the list: it cannot be undone")
	}
	resp, err := d.retention.ApplyRetention(ctx, &pb.ApplyRetentionRequest{Etag: posted(r, "etag"), Reason: posted(r, "reason"),
		Limit: 1000, RequestId: posted(r, "request_id")})
	return resp.GetSequenceNumber(), err
}

// erase looks at what an erasure would erase, and erases it when that was
// looked at.
func (d *desk) erase(form string, do func(ctx context.Context, r *http.Request, only bool) (*pb.EraseResponse, error)) func(*visit) {
	return func(v *visit) {
		if err := v.r.ParseForm(); err != nil {
			d.renderKeep(v, keepForm{Name: form, Flaws: []flaw{bad("", "the form could not be read; it may be too large")}}, http.StatusRequestEntityTooLarge)
			return
		}
		only := posted(v.r, "for_good") == ""
		resp, err := do(v.ctx(), v.r, only)
		switch {
		case err != nil:
			d.keepAgain(v, form, err)
		case only:
			d.renderKeep(v, keepForm{Name: form, Values: v.r.PostForm, Found: resp}, http.StatusOK)
		default:
			d.sessions.wrote(v.id, resp.GetSequenceNumber())
			http.Redirect(v.w, v.r, "/keep?done="+form, http.StatusSeeOther)
		}
	}
}

func (d *desk) erasePerson(ctx context.Context, r *http.Request, only bool) (*pb.EraseResponse, error) {
	return d.retention.ErasePerson(ctx, &pb.ErasePersonRequest{Name: words.Person(posted(r, "id")), Reason: posted(r, "reason"),
		RequestId: posted(r, "request_id"), ValidateOnly: only})
}

func (d *desk) eraseTeller(ctx context.Context, r *http.Request, only bool) (*pb.EraseResponse, error) {
	report, err := d.reports.GetReport(ctx, &pb.GetReportRequest{Name: words.Report(posted(r, "id"))})
	if err != nil {
		return nil, err
	}
	return d.retention.EraseTeller(ctx, &pb.EraseTellerRequest{Name: report.GetName() + "/teller", Reason: posted(r, "reason"),
		RequestId: posted(r, "request_id"), ValidateOnly: only})
}

// spanWords says what a class does, in a sentence.
func spanWords(c *pb.RetentionClass) string {
	from := map[pb.RetentionStart]string{pb.RetentionStart_RETENTION_START_EVENT: "the event",
		pb.RetentionStart_RETENTION_START_RECEIPT: "receipt", pb.RetentionStart_RETENTION_START_LAST_CHANGE: "the last change"}[c.GetStart()]
	n, unit := int(c.GetMonths()), "month"
	if n > 0 && n%12 == 0 {
		n, unit = n/12, "year"
	}
	if n != 1 {
		unit += "s"
	}
	span := strconv.Itoa(n) + " " + unit + " after " + from
	switch c.GetStep() {
	case pb.RetentionStep_RETENTION_STEP_KEEP:
		if c.GetMonths() == 0 {
			return "Kept for ever."
		}
		return "Kept whole until " + span + "."
	case pb.RetentionStep_RETENTION_STEP_TELLERS:
		return "Who told may be taken out " + span + "."
	case pb.RetentionStep_RETENTION_STEP_IDENTITIES:
		return "Who told and who was hurt may be taken out " + span + "."
	}
	return "Words, photos, sound and names may be taken out " + span + "."
}

// standingWords says whether a class is in force.
func standingWords(c *pb.RetentionClass) string {
	switch {
	case c.GetInForce():
		return "In force."
	case c.GetAdviser() != "":
		return "Does nothing yet: an administrator must agree."
	case c.GetAdministrator() != "":
		return "Does nothing yet: an adviser must agree."
	case c.GetSuggested():
		return "A suggestion that came with the software; it does nothing."
	}
	return "Nobody has agreed to it; it does nothing."
}

// removalWords says what was taken out of a report.
func removalWords(m *pb.Removal) string {
	switch m.GetPart() {
	case pb.RemovedPart_REMOVED_PART_IDENTITIES:
		return "Who was hurt was taken out for good"
	case pb.RemovedPart_REMOVED_PART_SOME_WORDS:
		return "Some words were taken out for good; others may stand in their place"
	}
	return "The words, photos and names were taken out for good; what is counted stays"
}
