package desk

import (
	"net/http"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
)

// changedFields is how the form shows its fields.
var changedFields = map[string]shown{"workplace": {"Where", "workplace"}, "start_month": {"First month", "from"}, "end_month": {"Last month", "until"},
	"period": {"First month", "from"}, "until": {"Last month", "until"}, "convention": {"Convention", "convention"}, "datasets": {"Data set", "dataset"},
	"was": {"As it stood at", "was"}, "from": {"As it stood at", "was"}, "is": {"Compared with", "is"}, "to": {"Compared with", "is"}}

// changed is "what has changed since": one summary as at two moments.
func (d *desk) changed(v *visit) {
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	q := v.r.URL.Query()
	was, wrong, err := d.pastOf(v, q.Get("was"), "was", places)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	// Without months, those of a summary that was made at the earlier moment.
	s := d.scope(q, 12, places.Home(), d.clock(was))
	s.wrong = append(s.wrong, wrong...)
	if from := q.Get("from"); from != "" {
		if s.Start = from; !isMonth(from) {
			s.wrong = append(s.wrong, bad("start_month", "write the first month like 2025-07"))
		}
	}
	data := map[string]any{"Places": places, "Was": q.Get("was"), "Is": q.Get("is"), "From": q.Get("from"), "Until": q.Get("until")}
	if was != nil {
		err = d.compare(v, &s, was, places, data)
	}
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	code := http.StatusOK
	if len(s.wrong) > 0 {
		data["Flaws"], code = located(s.wrong, changedFields), http.StatusUnprocessableEntity
	}
	data["Scope"] = s
	d.pages.render(v.w, code, "changed", view{Title: "What has changed since", Here: "numbers", Visit: v, Data: data})
}

// compare asks for the comparison; what cannot be understood is a flaw.
func (d *desk) compare(v *visit, s *scope, was *pastView, places *placeList, data map[string]any) error {
	is, wrong, err := d.pastOf(v, v.r.URL.Query().Get("is"), "is", places)
	if err != nil {
		return err
	}
	if s.wrong = append(s.wrong, wrong...); len(s.wrong) > 0 {
		return nil
	}
	resp, err := d.export.CompareSummaries(v.ctx(), &pb.CompareSummariesRequest{From: was.message(), To: is.message(), Summary: &pb.GetSummaryRequest{
		Workplace: s.Workplace, Period: s.period(), Convention: s.convention(), Datasets: s.datasets(), MinSequenceNumber: v.written}})
	list, isBad := flaws(err)
	if err != nil && !isBad {
		return err
	}
	if s.wrong = list; !isBad {
		data["Compared"], data["Parts"] = resp, byPart(resp.GetFigures())
		data["Earlier"], data["Later"] = againAt(resp.GetFrom()), againAt(resp.GetTo())
	}
	return nil
}

// changedPart is a part of a summary with the figures in it that differ.
type changedPart struct {
	Name    string
	Figures []*pb.FigureDifference
}

func byPart(all []*pb.FigureDifference) (out []changedPart) {
	for _, f := range all {
		if n := len(out); n == 0 || out[n-1].Name != f.GetPart() {
			out = append(out, changedPart{Name: f.GetPart()})
		}
		p := &out[len(out)-1]
		p.Figures = append(p.Figures, f)
	}
	return out
}

func isMonth(s string) bool { _, err := time.Parse("2006-01", s); return err == nil }
