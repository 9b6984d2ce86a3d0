package desk

import (
	"fmt"
	"net/http"
	"net/url"
	"time"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// summaryForm asks for which period and in which form.
func (d *desk) summaryForm(v *visit) { d.renderSummaryForm(v, v.r.URL.Query(), nil, http.StatusOK) }

func (d *desk) renderSummaryForm(v *visit, asked url.Values, wrong []flaw, code int) {
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	s := d.scope(asked, 12, places.Home(), d.opts.Clock())
	s.AsAt = asked.Get("as_at")
	if from := asked.Get("from"); from != "" {
		s.Start = from
	}
	format := asked.Get("format")
	if format == "" {
		format = "pdf"
	}
	d.pages.render(v.w, code, "summary", view{Title: "A summary to hand over", Here: "numbers", Visit: v,
		Data: map[string]any{"Scope": s, "Places": places, "Format": format, "Flaws": located(wrong, summaryFields)}})
}

// summaryFields is how the form shows its fields.
var summaryFields = map[string]shown{"workplace": {"Where", "workplace"}, "start_month": {"First month", "from"}, "end_month": {"Last month", "until"},
	"period": {"First month", "from"}, "until": {"Last month", "until"}, "convention": {"Convention", "convention"}, "datasets": {"Data set", "dataset"}, "format": {"As", "as-pdf"}, "as_at": {"As it stood at", "as_at"}}

// summary sends the file.
func (d *desk) summary(v *visit) {
	if err := v.r.ParseForm(); err != nil {
		d.renderSummaryForm(v, nil, []flaw{bad("", "the form could not be read")}, http.StatusBadRequest)
		return
	}
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	s, err := d.scopeThen(v, v.r.PostForm, 12, places)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	s.Start = v.r.PostForm.Get("from")
	if _, err := time.Parse("2006-01", s.Start); err != nil {
		s.wrong = append(s.wrong, bad("start_month", "write the first month like 2025-07"))
	}
	format, err := words.Parse[pb.FileFormat](v.r.PostForm.Get("format"))
	if err != nil {
		s.wrong = append(s.wrong, bad("format", "choose PDF, CSV or JSON"))
	}
	if len(s.wrong) > 0 {
		d.renderSummaryForm(v, v.r.PostForm, s.wrong, http.StatusUnprocessableEntity)
		return
	}
	resp, err := d.export.ExportSummary(v.ctx(), &pb.ExportSummaryRequest{Format: format, Summary: &pb.GetSummaryRequest{
		Workplace: s.Workplace, Period: s.period(), Convention: s.convention(), Datasets: s.datasets(), MinSequenceNumber: v.written, AsAt: s.past.message()}})
	if f, isBad := flaws(err); isBad {
		d.renderSummaryForm(v, v.r.PostForm, f, http.StatusUnprocessableEntity)
		return
	}
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	v.w.Header().Set("Content-Type", resp.GetContentType())
	v.w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", resp.GetFileName()))
	_, _ = v.w.Write(resp.GetContent())
}
