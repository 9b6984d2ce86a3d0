package desk

import (
	"net/http"
	"net/url"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// picked is a filter as the form shows it.
type picked struct {
	// Words are what is looked for and Search the key under which the session
	// keeps them: addresses carry the key only.
	Words, Search, Workplace, Kind, Since, Until, Potential, Outcome, Dataset string
	// Mechanism and the others are codes by facet; "none" is not coded.
	Mechanism, Breakdown, Agency, Nature, Location string
	Voided                                         bool
	// AsAt is the moment as it was typed.
	AsAt string
	// Cell is the cell of a table that a link came from.
	Cell cellPick
}

// facets are the codes of the form, by the facet of the contract.
func (p *picked) facets() map[pb.Facet]*string {
	return map[pb.Facet]*string{pb.Facet_FACET_MECHANISM: &p.Mechanism, pb.Facet_FACET_BREAKDOWN_AGENCY: &p.Breakdown, pb.Facet_FACET_AGENCY: &p.Agency,
		pb.Facet_FACET_NATURE: &p.Nature, pb.Facet_FACET_BODILY_LOCATION: &p.Location}
}

func pick(q url.Values) picked {
	return picked{Search: q.Get("search"), Workplace: q.Get("workplace"), Kind: q.Get("kind"), Since: q.Get("since"),
		Until: q.Get("until"), Potential: q.Get("potential"), Outcome: q.Get("outcome"), Dataset: q.Get("dataset"), Mechanism: q.Get("mechanism"), Breakdown: q.Get("breakdown"),
		Agency: q.Get("agency"), Nature: q.Get("nature"), Location: q.Get("location"), AsAt: q.Get("as_at"), Voided: q.Get("voided") != "", Cell: pickCell(q)}
}

// filter turns the form's values into the contract's. What cannot be read is
// left to the service, which says what is wrong with it.
func (p picked) filter() *pb.ReportFilter {
	f := &pb.ReportFilter{StartDate: p.Since, IncludeVoided: p.Voided}
	if t, err := time.Parse(time.DateOnly, p.Until); err == nil {
		// The form's last day is meant to be included.
		f.EndDate = t.AddDate(0, 0, 1).Format(time.DateOnly)
	} else {
		f.EndDate = p.Until
	}
	if p.Workplace != "" {
		f.Workplaces = []string{p.Workplace}
	}
	if k, err := words.Parse[pb.ReportKind](p.Kind); err == nil {
		f.Kinds = []pb.ReportKind{k}
	}
	if s, err := words.Parse[pb.PotentialSeverity](p.Potential); err == nil {
		f.Potentials = []pb.PotentialSeverity{s}
	}
	if o, err := words.Parse[pb.OutcomeClass](p.Outcome); err == nil {
		f.Outcomes = []pb.OutcomeClass{o}
	}
	codes := p.facets()
	for facet := pb.Facet_FACET_NATURE; facet <= pb.Facet_FACET_AGENCY; facet++ {
		switch code := *codes[facet]; code {
		case "":
		case "none":
			f.Codes = append(f.Codes, &pb.CodeMatch{Facet: facet})
		default:
			f.Codes = append(f.Codes, &pb.CodeMatch{Facet: facet, Code: code})
		}
	}
	f.Cells = p.Cell.cells()
	if p.Dataset != "" {
		f.Datasets = []string{p.Dataset}
	}
	return f
}

// Narrowed reports whether anything in the folded part of the form is chosen.
func (p picked) Narrowed() bool {
	for _, code := range p.facets() {
		if *code != "" {
			return true
		}
	}
	return p.Since != "" || p.Until != "" || p.Potential != "" || p.Outcome != "" || p.Dataset != "" || p.AsAt != "" || p.Voided
}

// query keeps the choices in a link to the next page.
func (p picked) query(token string) string {
	q := url.Values{}
	for k, s := range map[string]string{"search": p.Search, "workplace": p.Workplace, "kind": p.Kind, "since": p.Since,
		"until": p.Until, "potential": p.Potential, "outcome": p.Outcome, "mechanism": p.Mechanism, "breakdown": p.Breakdown, "agency": p.Agency,
		"nature": p.Nature, "location": p.Location, "dataset": p.Dataset, "as_at": p.AsAt, "page": token} {
		if s != "" {
			q.Set(k, s)
		}
	}
	if p.Voided {
		q.Set("voided", "1")
	}
	p.Cell.set(q)
	return q.Encode()
}

// Whole leads to the same reports without the cell of a table.
func (p picked) Whole() string {
	p.Cell = cellPick{}
	return "/reports?" + p.query("")
}

// filterFields is how the form shows the fields of a filter.
var filterFields = map[string]shown{"words": {"Words", "words"}, "workplaces": {"Where", "workplace"}, "start_date": {"From", "since"}, "end_date": {"To", "until"},
	"codes": {"Mechanism", "mechanism"}, "code": {"Mechanism", "mechanism"}, "datasets": {"Data set", "dataset"}, "as_at": {"As it stood at", "as_at"}}

// findReports takes what is posted by the form of listReports.
func (d *desk) findReports(v *visit) {
	if err := v.r.ParseForm(); err != nil {
		d.problem(v.w, v, status.Error(codes.ResourceExhausted, "the form could not be read; make the words fewer"))
		return
	}
	d.searched(v, "/reports", v.r.PostForm, v.r.PostForm.Get("words"))
}

// listReports is "what happened": newest first, or the best fit to words.
func (d *desk) listReports(v *visit) {
	ctx := v.ctx()
	if q := v.r.URL.Query(); q.Has("words") {
		// Somebody's own link: its words leave the address.
		d.searched(v, "/reports", q, q.Get("words"))
		return
	}
	p := pick(v.r.URL.Query())
	lost := false
	if p.Search != "" {
		var kept bool
		p.Words, kept = d.sessions.recall(v.id, p.Search)
		lost = !kept
	}
	token := v.r.URL.Query().Get("page")
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	past, wrong, err := d.pastOf(v, p.AsAt, "as_at", places)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	if p.AsAt != "" && p.Words != "" {
		wrong = append(wrong, bad("as_at", "leave it empty to look for words, which are found among the present only; or leave the words empty"))
	}
	data := map[string]any{"Pick": p, "Places": places, "Page": token != "", "Past": past}
	code := http.StatusOK
	var next string
	switch {
	case lost:
		// Everything instead of what fits would be another answer.
		data["Flaws"], code = []flaw{forgotten}, http.StatusGone
	case len(wrong) > 0:
		data["Flaws"], code = located(wrong, filterFields), http.StatusUnprocessableEntity
	case p.Words != "":
		found, err := d.search.SearchReports(ctx, &pb.SearchReportsRequest{Words: p.Words, Filter: p.filter(), PageToken: token,
			PageSize: 25, IncludeCounts: token == "", MinSequenceNumber: v.written})
		if f, bad := flaws(err); bad {
			data["Flaws"], code = located(f, filterFields), http.StatusUnprocessableEntity
		} else if err != nil {
			d.problem(v.w, v, err)
			return
		}
		data["Found"] = found
		next = found.GetNextPageToken()
	default:
		list, err := d.reports.ListReports(ctx, &pb.ListReportsRequest{Filter: p.filter(), PageToken: token, PageSize: 25, MinSequenceNumber: v.written, AsAt: past.message()})
		if f, bad := flaws(err); bad {
			data["Flaws"], code = located(f, filterFields), http.StatusUnprocessableEntity
		} else if err != nil {
			d.problem(v.w, v, err)
			return
		}
		data["List"] = list
		next = list.GetNextPageToken()
	}
	if next != "" {
		data["Next"] = "/reports?" + p.query(next)
	}
	d.pages.render(v.w, code, "reports", view{Title: "What happened", Here: "reports", Visit: v, Past: past, Data: data})
}
