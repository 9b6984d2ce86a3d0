package desk

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// teller is how a visitor of the report form reaches the services: as whoever
// signed in, else by the open form's own token. The visit is nil for somebody
// who has not signed in.
func (d *desk) teller(w http.ResponseWriter, r *http.Request) (ctx context.Context, v *visit, ok bool) {
	v, signedIn := d.visit(w, r)
	if signedIn && v.may("ReportService.FileReport") {
		return v.ctx(), v, true
	}
	if !signedIn {
		v = nil
	}
	if d.opts.FormToken == "" {
		return nil, v, false
	}
	return as(r.Context(), d.opts.FormToken), v, true
}

// choosing is how the form asks for the places to choose from. While the form is
// open to everybody, whoever has signed in chooses from as many: what somebody
// saw at another depot is told too. When it is closed, a role that holds for
// some places chooses from those and the way up to the organisation.
func (d *desk) choosing(r *http.Request, ctx context.Context) context.Context {
	if d.opts.FormToken == "" {
		return ctx
	}
	return as(r.Context(), d.opts.FormToken)
}

// fileForm is the plain report form. It works without script and asks four
// things that are needed; everything else can wait.
func (d *desk) fileForm(w http.ResponseWriter, r *http.Request) {
	d.renderFileForm(w, r, nil, http.StatusOK, url.Values{"report_id": {newID()}, "request_id": {newID()}})
}

// fileFields is how the form shows the fields of a report.
var fileFields = map[string]shown{
	"kind": {"Kind of thing", "kind-near-miss"}, "workplace": {"Where", "workplace"}, "spot": {"Exact spot", "spot"},
	"narrative": {"What happened", "narrative"}, "teller_mode": {"Who may know that it was you", "mode-named"},
	"teller": {"Your name", "name"}, "display_name": {"Your name", "name"}, "contact": {"How to reach you", "contact"},
	"occur_time": {"When", "day"}, "done_right_away": {"What was done right away", "done_right_away"},
	"description": {"If someone was hurt", "hurt"}, "substance": {"What spilled", "substance"}, "quantity": {"How many litres", "litres"},
	"steps_taken": {"What was done about the spill", "steps"},
}

func (d *desk) renderFileForm(w http.ResponseWriter, r *http.Request, wrong []flaw, code int, posted url.Values) {
	w.Header().Set("Cache-Control", "no-store")
	ctx, v, ok := d.teller(w, r)
	if !ok {
		http.Redirect(w, r, "/sign-in?next=/report", http.StatusSeeOther)
		return
	}
	places, err := d.allPlaces(d.choosing(r, ctx))
	if err != nil {
		d.problem(w, v, err)
		return
	}
	form := map[string]string{}
	for k := range posted {
		form[k] = posted.Get(k)
	}
	for _, id := range []string{"report_id", "request_id"} {
		if form[id] == "" {
			form[id] = newID()
		}
	}
	d.pages.render(w, code, "file", view{Title: "Report something", Here: "file", Visit: v, Data: map[string]any{
		"Places": places, "Form": form, "Flaws": located(inOrder(wrong), fileFields), "Kinds": formKinds, "Modes": formModes, "Worst": formWorst,
		"Today": d.today(places.Home()), "More": more(form, wrong)}})
}

// fileOrder are the fields in the order of the form.
var fileOrder = []string{"", "kind", "workplace", "spot", "narrative", "teller_mode", "teller", "display_name", "contact", "occur_time",
	"done_right_away", "description", "substance", "quantity", "steps_taken"}

// inOrder sorts what is wrong as the form asks it.
func inOrder(wrong []flaw) []flaw {
	out := slices.Clone(wrong)
	slices.SortStableFunc(out, func(a, b flaw) int {
		return slices.Index(fileOrder, last(a.Field)) - slices.Index(fileOrder, last(b.Field))
	})
	return out
}

// more reports whether the part of the form that can wait holds something.
func more(form map[string]string, wrong []flaw) bool {
	for _, f := range []string{"day", "time", "when_unknown", "potential", "done_right_away", "hurt", "treatment", "substance", "litres", "water", "steps"} {
		if form[f] != "" {
			return true
		}
	}
	return flawed(wrong, "occur_time", "done_right_away", "description", "substance", "quantity", "steps_taken") != ""
}

// answer is one answer of a question of the form.
type answer struct{ Slug, Words, More string }

// formKinds are the answers to the first question, in the order and words of
// the form.
var formKinds = []answer{
	{"near-miss", "A close call", "It nearly hurt someone or nearly broke something."},
	{"hazard", "Something that could hurt someone", "Nothing has happened yet."},
	{"injury-or-illness", "Someone was hurt or got sick", ""},
	{"release", "A spill", "Fuel, oil, spray or dirt got where it should not."},
	{"damage", "Something got broken", ""},
	{"not-sure", "I am not sure", "That is fine. Someone will work it out with you."},
}

// formModes are the answers to who may know.
var formModes = []answer{
	{"named", "My supervisor and the safety adviser", ""},
	{"confidential", "Only a named few", "Each look is recorded with its reason."},
	{"anonymous", "Nobody", "Leave your name empty."},
}

// formWorst are the answers to how bad it could have been.
var formWorst = []answer{
	{"minor", "First aid at most", ""}, {"serious", "Time off work", ""}, {"life-changing", "Hurt for life", ""},
	{"fatal", "Someone could have died", ""}, {"not-sure", "I am not sure", ""},
}

// file stores the report and shows the receipt.
func (d *desk) file(w http.ResponseWriter, r *http.Request) {
	again := func(code int, wrong ...flaw) { d.renderFileForm(w, r, wrong, code, r.PostForm) }
	part, parts, err := fieldsFirst(r)
	// Whatever the answer is, the browser must have sent all to show it.
	defer swallow(r)
	if err != nil {
		again(http.StatusRequestEntityTooLarge, bad("", "What was sent could not be read: it may be too long. Nothing was stored."))
		return
	}
	ctx, v, ok := d.teller(w, r)
	if !ok {
		http.Redirect(w, r, "/sign-in?next=/report", http.StatusSeeOther)
		return
	}
	if v == nil && !d.mailbox.allow(remote(r)) {
		again(http.StatusTooManyRequests, bad("", "Too many reports from here in one minute. Nothing was stored. Wait a minute and send again; your words are still below."))
		return
	}
	places, err := d.allPlaces(d.choosing(r, ctx))
	if err != nil {
		d.problem(w, v, err)
		return
	}
	req, wrong := d.fileRequest(r, places)
	if len(wrong) > 0 {
		again(http.StatusUnprocessableEntity, wrong...)
		return
	}
	resp, err := d.reports.FileReport(ctx, req)
	if reason(err) == "REQUEST_ID_REUSED" || status.Code(err) == codes.AlreadyExists {
		r.PostForm.Del("report_id")
		r.PostForm.Del("request_id")
		again(http.StatusConflict, bad("", "This form was stored already; what was changed in it since was not. To add to that report, tell the adviser its code. If this is another thing, send it again: it becomes a new report."))
		return
	}
	if f, isBad := flaws(err); isBad {
		again(http.StatusUnprocessableEntity, f...)
		return
	}
	// The words stay in the form whatever happened: sending again with the same
	// ids stores one report.
	switch status.Code(err) {
	case codes.OK:
	case codes.ResourceExhausted:
		again(http.StatusInsufficientStorage, bad("", "The service cannot take more just now. Nothing was stored. Your words are still below: keep them, and tell whoever runs the service."))
		return
	default:
		again(http.StatusServiceUnavailable, bad("", "The service did not answer, so we do not know whether this was stored. Send it again: it will be stored once. Your words are still below."))
		return
	}
	if v != nil {
		d.sessions.wrote(v.id, resp.GetSequenceNumber())
	}
	stored, not := d.attachAll(ctx, resp.GetReport(), posted(r, "caption"), part, parts)
	d.pages.render(w, http.StatusOK, "sent", view{Title: "Received", Here: "file", Visit: v, Data: map[string]any{
		"Report": resp.GetReport(), "Receipt": resp.GetReceiptCode(), "Notes": resp.GetNotes(), "Places": places, "Stored": stored, "NotTaken": not,
		"Listed": v != nil && resp.GetReport().GetTellerMode() == pb.TellerMode_TELLER_MODE_NAMED && v.may("MyReportService.ListMyReports")}})
}

// fileRequest reads the form. Times are those of the clock on the wall at the
// workplace.
func (d *desk) fileRequest(r *http.Request, places *placeList) (*pb.FileReportRequest, []flaw) {
	var wrong []flaw
	report := &pb.Report{
		Kind: choice[pb.ReportKind](r, "kind"), Workplace: r.PostFormValue("workplace"), Narrative: posted(r, "narrative"),
		Spot: posted(r, "spot"), DoneRightAway: posted(r, "done_right_away"), Potential: choice[pb.PotentialSeverity](r, "potential"),
		TellerMode: choice[pb.TellerMode](r, "teller_mode"), LanguageCode: "en-AU", Answers: map[string]pb.AnswerState{},
	}
	if id := r.PostFormValue("report_id"); id != "" {
		report.Name = "reports/" + id
	}
	switch day, clock := r.PostFormValue("day"), r.PostFormValue("time"); {
	case r.PostFormValue("when_unknown") != "":
		report.Answers["occur_time"] = pb.AnswerState_ANSWER_STATE_NOT_KNOWN
	case day != "":
		layout, text := time.DateOnly, day
		report.OccurPrecision = pb.TimePrecision_TIME_PRECISION_DAY
		if clock != "" {
			layout, text = "2006-01-02 15:04", day+" "+clock
			report.OccurPrecision = pb.TimePrecision_TIME_PRECISION_ABOUT
		}
		t, err := time.ParseInLocation(layout, text, places.Zone(report.GetWorkplace()))
		if err != nil {
			wrong = append(wrong, bad("report.occur_time", "write the day like 2026-03-31 and the time like 14:30, or tick that you are not sure"))
		} else {
			report.OccurTime = timestamppb.New(t)
		}
	}
	if r.PostFormValue("potential") == "not-sure" {
		report.Answers["potential"] = pb.AnswerState_ANSWER_STATE_NOT_KNOWN
	}
	if hurt := posted(r, "hurt"); hurt != "" {
		report.Harms = []*pb.Harm{{Description: hurt, Treatment: choice[pb.Treatment](r, "treatment")}}
	}
	if s := posted(r, "substance"); s != "" {
		rel := &pb.Release{Substance: s, QuantityUnit: "L", WaterReached: choice[pb.WaterReached](r, "water"), StepsTaken: posted(r, "steps")}
		if q := strings.TrimSpace(r.PostFormValue("litres")); q != "" {
			n, err := strconv.ParseFloat(q, 64)
			if err != nil {
				wrong = append(wrong, bad("report.release.quantity", "write the litres as a plain number, such as 2.5, or leave it empty"))
			}
			rel.Quantity = &n
		}
		report.Release = rel
	}
	req := &pb.FileReportRequest{Report: report, RequestId: r.PostFormValue("request_id")}
	name, contact := posted(r, "name"), posted(r, "contact")
	switch {
	case report.GetTellerMode() == pb.TellerMode_TELLER_MODE_UNSPECIFIED:
		wrong = append(wrong, bad("report.teller_mode", "choose who may know that it was you"))
	case report.GetTellerMode() == pb.TellerMode_TELLER_MODE_ANONYMOUS && (name != "" || contact != ""):
		wrong = append(wrong, bad("teller", "you chose that nobody may know: empty your name and contact, or choose another answer"))
	case name != "" || contact != "":
		req.Teller = &pb.Teller{DisplayName: name, Contact: contact}
	}
	if _, err := words.Parse[pb.ReportKind](r.PostFormValue("kind")); err != nil {
		wrong = append(wrong, bad("report.kind", "choose one; not sure is a fine answer"))
	}
	if report.GetWorkplace() == "" {
		wrong = append(wrong, bad("report.workplace", "choose where it happened; not sure is a fine answer"))
	}
	if report.GetNarrative() == "" {
		wrong = append(wrong, bad("report.narrative", "say what happened, in your own words"))
	}
	return req, wrong
}
