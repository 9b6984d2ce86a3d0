package desk

import (
	"net/http"
	"strings"

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

// question is one question as the form shows it.
type question struct {
	Facet              pb.Facet
	Field, Words       string
	Value, Problem     string
	Suggestions        []*pb.Code
	FacetSlug, Current string
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
	places, err := d.allPlaces(ctx)
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
		q := question{Facet: a.Facet, Field: a.Field, Words: a.Question, Value: stored[a.Field], Problem: flawed(wrong, a.Field),
			FacetSlug: words.Slug(a.Facet), Current: titles[a.Facet.String()+stored[a.Field]]}
		if v.r.Method == http.MethodPost {
			q.Value = v.r.PostFormValue(a.Field)
		}
		// The machine suggests from the words of the report; the coder decides.
		found, err := d.codes.LookUpCodes(ctx, &pb.LookUpCodesRequest{Words: firstWords(r.GetNarrative()), Facet: a.Facet, Limit: 4})
		if err == nil {
			q.Suggestions = found.GetCodes()
		}
		questions = append(questions, q)
	}
	d.pages.render(v.w, code, "code", view{Title: "Code report " + r.GetShortCode(), Here: "reports", Visit: v, Data: map[string]any{
		"Report": r, "Harm": harm, "Questions": questions, "Current": current, "Flaws": wrong, "Edition": current.GetEdition(),
		"Zone": places.Zone(r.GetWorkplace()), "Places": places}})
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
		d.renderCodeForm(v, []flaw{{"", "the form could not be read"}}, http.StatusRequestEntityTooLarge)
		return
	}
	id := v.r.PathValue("id")
	c := &pb.Coding{HarmId: v.r.PostFormValue("harm"), Mechanism: posted(v.r, "mechanism"), BreakdownAgency: posted(v.r, "breakdown_agency"),
		Agency: posted(v.r, "agency"), Nature: posted(v.r, "nature"), BodilyLocation: posted(v.r, "bodily_location"),
		Note: posted(v.r, "note"), Etag: v.r.PostFormValue("etag"), Origin: pb.CodingOrigin_CODING_ORIGIN_PERSON}
	resp, err := d.codes.AssignCoding(v.ctx(), &pb.AssignCodingRequest{Parent: "reports/" + id, Coding: c, RequestId: v.r.PostFormValue("request_id")})
	if f, bad := flaws(err); bad {
		d.renderCodeForm(v, f, http.StatusUnprocessableEntity)
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
	data, code := d.found(v)
	d.pages.render(v.w, code, "codes", view{Title: "Look something up", Here: "codes", Visit: v, Data: data})
}

// lookUpPart is the list alone, for a script that looks up while one types.
func (d *desk) lookUpPart(v *visit) {
	data, _ := d.found(v)
	d.pages.part(v.w, "codes", "found", view{Visit: v, Data: data})
}

func (d *desk) found(v *visit) (map[string]any, int) {
	q := strings.TrimSpace(v.r.FormValue("words"))
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
		data["Flaws"] = []flaw{{"", "The look-up did not answer. Try again."}}
	}
	return data, http.StatusOK
}
