package desk

import (
	"net/http"
	"net/url"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// asked are the five questions of the coding form, in the order in which a
// coder answers them.
var asked = []struct {
	Facet           pb.Facet
	Field, Question string
	ForReport       bool // also without a harm
}{
	{pb.Facet_FACET_MECHANISM, "mechanism", "What happened to the person?", true},
	{pb.Facet_FACET_BREAKDOWN_AGENCY, "breakdown_agency", "What was the thing when it first began to go wrong?", true},
	{pb.Facet_FACET_AGENCY, "agency", "What thing actually did the harm?", false},
	{pb.Facet_FACET_NATURE, "nature", "What is the injury or disease?", false},
	{pb.Facet_FACET_BODILY_LOCATION, "bodily_location", "Which part of the body?", false},
}

// codeFields is how the form shows its fields.
var codeFields = map[string]shown{"mechanism": {"What happened to the person", "mechanism"}, "breakdown_agency": {"Where it began to go wrong", "breakdown_agency"},
	"agency": {"What did the harm", "agency"}, "nature": {"The injury or disease", "nature"}, "bodily_location": {"Part of the body", "bodily_location"}, "note": {"What was in doubt", "note"}}

// question is one question as the form shows it.
type question struct {
	Facet pb.Facet
	// Field, FacetSlug and Words name it.
	Field, FacetSlug, Words string
	// Value is what the field holds, Meaning its title when it is known, and
	// Problem what is wrong with it.
	Value, Meaning, Problem string
	// Stored and Current are the code that is stored and its title, when it is
	// not what the field holds.
	Stored, Current string
	// Suggestions come from the words of the report, by machine.
	Suggestions []*pb.Code
}

// codeForm is the coding form of a report, or of one harm of it.
func (d *desk) codeForm(v *visit) { d.renderCodeForm(v, nil, http.StatusOK) }

func (d *desk) renderCodeForm(v *visit, wrong []flaw, code int) {
	ctx := v.ctx()
	r, err := d.reports.GetReport(ctx, &pb.GetReportRequest{Name: words.Report(v.r.PathValue("id")), MinSequenceNumber: v.written})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	list, err := d.codes.ListCodings(ctx, &pb.ListCodingsRequest{Parent: r.GetName()})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	harm := v.r.FormValue("harm")
	if harm == "" && len(r.GetHarms()) > 0 {
		harm = r.GetHarms()[0].GetHarmId()
	}
	current := &pb.Coding{}
	for _, c := range list.GetCodings() {
		if c.GetHarmId() == harm {
			current = c
		}
	}
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	titles := map[string]string{}
	for _, c := range list.GetCodes() {
		titles[c.GetFacet().String()+c.GetCode()] = c.GetTitle()
	}
	stored := map[string]string{"mechanism": current.GetMechanism(), "breakdown_agency": current.GetBreakdownAgency(), "agency": current.GetAgency(),
		"nature": current.GetNature(), "bodily_location": current.GetBodilyLocation()}
	var questions []question
	for _, a := range asked {
		if harm == "" && !a.ForReport {
			continue
		}
		q := question{Facet: a.Facet, Field: a.Field, FacetSlug: words.Slug(a.Facet), Words: a.Question, Value: stored[a.Field], Problem: flawed(wrong, a.Field)}
		if v.r.Method == http.MethodPost {
			q.Value = v.r.PostFormValue(a.Field)
		}
		if q.Value == stored[a.Field] {
			q.Meaning = titles[a.Facet.String()+q.Value]
		} else if stored[a.Field] != "" {
			q.Stored, q.Current = stored[a.Field], titles[a.Facet.String()+stored[a.Field]]
		}
		// The machine suggests from the words of the report; the coder decides.
		found, err := d.codes.LookUpCodes(ctx, &pb.LookUpCodesRequest{Words: firstWords(r.GetNarrative()), Facet: a.Facet, Limit: 4})
		if err == nil {
			q.Suggestions = found.GetCodes()
		}
		questions = append(questions, q)
	}
	note := current.GetNote()
	if v.r.Method == http.MethodPost {
		note = v.r.PostFormValue("note")
	}
	d.pages.render(v.w, code, "code", view{Title: "Code report " + r.GetShortCode(), Here: "reports", Visit: v, Data: map[string]any{
		"Report": r, "Harm": harm, "Hurt": hurt(r, harm), "Note": note, "Questions": questions, "Current": current, "Flaws": located(wrong, codeFields),
		"Zone": places.Zone(r.GetWorkplace()), "Places": places}})
}

// hurt is what is said about a person hurt.
func hurt(r *pb.Report, harmID string) string {
	for _, h := range r.GetHarms() {
		if h.GetHarmId() == harmID {
			return h.GetDescription()
		}
	}
	return ""
}

// firstWords cuts a narrative to what a look-up takes.
func firstWords(s string) string {
	r := []rune(s)
	if len(r) > 400 {
		r = r[:400]
	}
	return string(r)
}

// code stores a coding.
func (d *desk) code(v *visit) {
	if err := v.r.ParseForm(); err != nil {
		d.renderCodeForm(v, []flaw{bad("", "the form could not be read")}, http.StatusRequestEntityTooLarge)
		return
	}
	id := v.r.PathValue("id")
	c := &pb.Coding{HarmId: v.r.PostFormValue("harm"), Mechanism: posted(v.r, "mechanism"), BreakdownAgency: posted(v.r, "breakdown_agency"),
		Agency: posted(v.r, "agency"), Nature: posted(v.r, "nature"), BodilyLocation: posted(v.r, "bodily_location"),
		Note: posted(v.r, "note"), Etag: v.r.PostFormValue("etag"), Origin: pb.CodingOrigin_CODING_ORIGIN_PERSON}
	resp, err := d.codes.AssignCoding(v.ctx(), &pb.AssignCodingRequest{Parent: "reports/" + id, Coding: c, RequestId: v.r.PostFormValue("request_id")})
	if f, isBad := flaws(err); isBad {
		d.renderCodeForm(v, f, http.StatusUnprocessableEntity)
		return
	}
	if status.Code(err) == codes.Aborted {
		d.renderCodeForm(v, []flaw{bad("", "Somebody else coded this first. What is stored stands beside each field; yours is still in it. Send it again if it still holds.")}, http.StatusConflict)
		return
	}
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	d.sessions.wrote(v.id, resp.GetSequenceNumber())
	http.Redirect(v.w, v.r, "/reports/"+id+"?done=coded", http.StatusSeeOther)
}

// lookUp is "look something up": codes by plain words.
func (d *desk) lookUp(v *visit) {
	q := v.r.URL.Query()
	if q.Has("words") {
		// Somebody's own link: its words leave the address.
		d.searched(v, "/codes", q, q.Get("words"))
		return
	}
	said, kept := "", true
	if key := q.Get("search"); key != "" {
		said, kept = d.sessions.recall(v.id, key)
	}
	data, code := d.found(v, said)
	if !kept {
		data["Flaws"], code = []flaw{forgotten}, http.StatusGone
	}
	d.pages.render(v.w, code, "codes", view{Title: "Look something up", Here: "codes", Visit: v, Data: data})
}

// lookUpWords takes what is posted by the form of lookUp.
func (d *desk) lookUpWords(v *visit) {
	if err := v.r.ParseForm(); err != nil {
		d.problem(v.w, v, status.Error(codes.ResourceExhausted, "the form could not be read; make the words fewer"))
		return
	}
	d.searched(v, "/codes", url.Values{"facet": {v.r.PostForm.Get("facet")}}, v.r.PostForm.Get("words"))
}

// lookUpPart is the list alone, for a script that looks up while one types.
func (d *desk) lookUpPart(v *visit) {
	data, _ := d.found(v, strings.TrimSpace(v.r.PostFormValue(v.r.FormValue("into")+"-words")))
	d.pages.part(v.w, "codes", "found", view{Visit: v, Data: data})
}

// found looks words up among the codes.
func (d *desk) found(v *visit, q string) (map[string]any, int) {
	facet, _ := words.Parse[pb.Facet](v.r.FormValue("facet"))
	data := map[string]any{"Words": q, "Facet": words.Slug(facet), "Into": v.r.FormValue("into")}
	if q == "" {
		return data, http.StatusOK
	}
	resp, err := d.codes.LookUpCodes(v.ctx(), &pb.LookUpCodesRequest{Words: firstWords(q), Facet: facet, Limit: 8})
	if f, bad := flaws(err); bad {
		data["Flaws"] = f
		return data, http.StatusUnprocessableEntity
	}
	if err == nil {
		data["Codes"], data["Edition"] = resp.GetCodes(), resp.GetEdition()
	} else {
		data["Flaws"] = []flaw{bad("", "The look-up did not answer. Try again.")}
	}
	return data, http.StatusOK
}
