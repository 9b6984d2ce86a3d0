package desk

import (
	"net/http"
	"net/url"
	"strings"
	"time"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// picked is a filter as the form shows it.
type picked struct {
	Words, Workplace, Kind, Since, Until, Potential, Mechanism, Dataset string
	Voided                                                              bool
}

func pick(q url.Values) picked {
	return picked{Words: strings.TrimSpace(q.Get("words")), Workplace: q.Get("workplace"), Kind: q.Get("kind"), Since: q.Get("since"),
		Until: q.Get("until"), Potential: q.Get("potential"), Mechanism: q.Get("mechanism"), Dataset: q.Get("dataset"), Voided: q.Get("voided") != ""}
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
	switch p.Mechanism {
	case "":
	case "none":
		f.Codes = []*pb.CodeMatch{{Facet: pb.Facet_FACET_MECHANISM}}
	default:
		f.Codes = []*pb.CodeMatch{{Facet: pb.Facet_FACET_MECHANISM, Code: p.Mechanism}}
	}
	if p.Dataset != "" {
		f.Datasets = []string{p.Dataset}
	}
	return f
}

// Narrowed reports whether anything in the folded part of the form is chosen.
func (p picked) Narrowed() bool {
	return p.Since != "" || p.Until != "" || p.Potential != "" || p.Mechanism != "" || p.Dataset != "" || p.Voided
}

// query keeps the choices in a link to the next page. Words go by POST-free
// GET as everywhere on the web, but they are what somebody looks for, not what
// somebody told.
func (p picked) query(token string) string {
	q := url.Values{}
	for k, s := range map[string]string{"words": p.Words, "workplace": p.Workplace, "kind": p.Kind, "since": p.Since,
		"until": p.Until, "potential": p.Potential, "mechanism": p.Mechanism, "dataset": p.Dataset, "page": token} {
		if s != "" {
			q.Set(k, s)
		}
	}
	if p.Voided {
		q.Set("voided", "1")
	}
	return q.Encode()
}

// filterFields is how the form shows the fields of a filter.
var filterFields = map[string]shown{"words": {"Words", "words"}, "workplaces": {"Where", "workplace"}, "start_date": {"From", "since"}, "end_date": {"To", "until"},
	"codes": {"Mechanism", "mechanism"}, "code": {"Mechanism", "mechanism"}, "datasets": {"Data set", "dataset"}}

// listReports is "what happened": newest first, or the best fit to words.
func (d *desk) listReports(v *visit) {
	ctx := v.ctx()
	p := pick(v.r.URL.Query())
	token := v.r.URL.Query().Get("page")
	places, err := d.allPlaces(ctx)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	data := map[string]any{"Pick": p, "Places": places, "Page": token != ""}
	code := http.StatusOK
	var next string
	if p.Words != "" {
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
	} else {
		list, err := d.reports.ListReports(ctx, &pb.ListReportsRequest{Filter: p.filter(), PageToken: token, PageSize: 25, MinSequenceNumber: v.written})
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
		data["Next"] = p.query(next)
	}
	d.pages.render(v.w, code, "reports", view{Title: "What happened", Here: "reports", Visit: v, Data: data})
}
