package desk

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// scope is what the pages of figures are asked for.
type scope struct {
	Workplace, Convention, Measure, Start, End, Dataset, Rows, Columns, Level string
	Months                                                                    int
	Harms                                                                     bool
}

func (d *desk) scope(q url.Values, months int) scope {
	s := scope{Workplace: q.Get("workplace"), Convention: q.Get("convention"), Measure: q.Get("measure"), Dataset: q.Get("dataset"),
		Rows: q.Get("rows"), Columns: q.Get("columns"), Level: q.Get("level"), Harms: q.Get("harms") != "", Months: months}
	if n, err := strconv.Atoi(q.Get("months")); err == nil && n > 0 && n <= 600 {
		s.Months = n
	}
	// Whole months only: the running one would look like a good one.
	end := d.opts.Clock()
	end = time.Date(end.Year(), end.Month(), 1, 0, 0, 0, 0, time.UTC)
	if t, err := time.Parse("2006-01", q.Get("until")); err == nil {
		end = t.AddDate(0, 1, 0)
	}
	s.End, s.Start = end.Format("2006-01"), end.AddDate(0, -s.Months, 0).Format("2006-01")
	return s
}

// Until is the last month, as the form shows it.
func (s scope) Until() string {
	t, err := time.Parse("2006-01", s.End)
	if err != nil {
		return ""
	}
	return t.AddDate(0, -1, 0).Format("2006-01")
}

func (s scope) period() *pb.Period { return &pb.Period{StartMonth: s.Start, EndMonth: s.End} }

func (s scope) convention() pb.Convention {
	c, err := words.Parse[pb.Convention](s.Convention)
	if err != nil {
		return pb.Convention_CONVENTION_AS_1885_1
	}
	return c
}

func (s scope) datasets() []string {
	if s.Dataset == "" {
		return nil
	}
	return []string{s.Dataset}
}

// Link keeps the scope in a link to another page of figures.
func (s scope) Link(page, measure string) string {
	q := url.Values{"workplace": {s.Workplace}, "convention": {s.Convention}, "until": {s.Until()}}
	if s.Dataset != "" {
		q.Set("dataset", s.Dataset)
	}
	if measure != "" {
		q.Set("measure", measure)
	}
	return page + "?" + q.Encode()
}

// conventions are the choices of the form.
var conventions = []struct{ Slug, Words string }{
	{"as-1885-1", "AS 1885.1"}, {"us", "29 CFR 1904 (US)"}, {"ilo", "ILO"}, {"wa-mining", "WA mining"}, {"uk", "UK"}, {"iogp", "IOGP"}, {"ansi-z16", "ANSI Z16.1 (history)"},
}

// rates is "what the numbers say".
func (d *desk) rates(v *visit) {
	ctx := v.ctx()
	s := d.scope(v.r.URL.Query(), 12)
	places, err := d.allPlaces(ctx)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	data := map[string]any{"Scope": s, "Places": places, "Conventions": conventions}
	code := http.StatusOK
	rates, err := d.numbers.ComputeRates(ctx, &pb.ComputeRatesRequest{Workplace: s.Workplace, Period: s.period(), Convention: s.convention(),
		Datasets: s.datasets(), MinSequenceNumber: v.written})
	if f, bad := flaws(err); bad {
		data["Flaws"], code = f, http.StatusUnprocessableEntity
	} else if err != nil {
		d.problem(v.w, v, err)
		return
	}
	data["Rates"] = rates
	d.pages.render(v.w, code, "numbers", view{Title: "What the numbers say", Here: "numbers", Visit: v, Data: data})
}

// chart draws one measure by month.
func (d *desk) chart(v *visit) {
	ctx := v.ctx()
	s := d.scope(v.r.URL.Query(), 36)
	if s.Measure == "" {
		s.Measure = "frequency_rate"
	}
	places, err := d.allPlaces(ctx)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	data := map[string]any{"Scope": s, "Places": places, "Conventions": conventions}
	list, err := d.numbers.ListMeasures(ctx, &pb.ListMeasuresRequest{Convention: s.convention()})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	data["Measures"] = list.GetMeasures()
	code := http.StatusOK
	c, err := d.numbers.ComputeChart(ctx, &pb.ComputeChartRequest{Measure: s.Measure, Workplace: s.Workplace, Period: s.period(), Convention: s.convention(),
		Filter: &pb.ReportFilter{Datasets: s.datasets()}, IncludeSvg: true, MinSequenceNumber: v.written})
	if f, bad := flaws(err); bad {
		data["Flaws"], code = f, http.StatusUnprocessableEntity
	} else if err != nil {
		d.problem(v.w, v, err)
		return
	}
	data["Chart"] = c
	d.pages.render(v.w, code, "chart", view{Title: "Month by month", Here: "numbers", Visit: v, Data: data})
}

// dimensions are the choices of the table form.
var dimensions = []struct{ Slug, Words string }{
	{"kind", "kind of report"}, {"workplace", "workplace"}, {"month", "month"}, {"year", "year"}, {"mechanism", "mechanism"},
	{"breakdown-agency", "breakdown agency"}, {"agency", "agency of injury"}, {"nature", "nature of injury"}, {"bodily-location", "bodily location"},
	{"outcome", "outcome"}, {"potential", "worst credible outcome"}, {"employment-group", "employment group"}, {"dataset", "data set"},
}

// table counts by one or two dimensions.
func (d *desk) table(v *visit) {
	ctx := v.ctx()
	q := v.r.URL.Query()
	s := d.scope(q, 12)
	if s.Rows == "" {
		s.Rows, s.Columns = "mechanism", "kind"
	}
	if s.Level == "" {
		s.Level = "1"
	}
	places, err := d.allPlaces(ctx)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	data := map[string]any{"Scope": s, "Places": places, "Dimensions": dimensions}
	rows, _ := words.Parse[pb.Dimension](s.Rows)
	cols, _ := words.Parse[pb.Dimension](s.Columns)
	level, _ := strconv.Atoi(s.Level)
	f := &pb.ReportFilter{StartDate: s.Start + "-01", EndDate: s.End + "-01", Datasets: s.datasets()}
	if s.Workplace != "" {
		f.Workplaces = []string{s.Workplace}
	}
	code := http.StatusOK
	t, err := d.numbers.Tabulate(ctx, &pb.TabulateRequest{Filter: f, Rows: rows, Columns: cols, CodeLevel: int32(min(max(level, 0), 4)), CountHarms: s.Harms, MinSequenceNumber: v.written})
	if fl, bad := flaws(err); bad {
		data["Flaws"], code = fl, http.StatusUnprocessableEntity
	} else if err != nil {
		d.problem(v.w, v, err)
		return
	}
	data["Table"], data["Grid"] = t, grid(t)
	d.pages.render(v.w, code, "table", view{Title: "Count and cross", Here: "numbers", Visit: v, Data: data})
}

// gridRow is one row of a table with its cells.
type gridRow struct {
	Head  *pb.TableHead
	Cells []int64
}

func grid(t *pb.Table) []gridRow {
	n := len(t.GetColumns())
	var out []gridRow
	for i, h := range t.GetRows() {
		out = append(out, gridRow{h, t.GetCounts()[i*n : (i+1)*n]})
	}
	return out
}

// summaryForm asks for which period and in which form.
func (d *desk) summaryForm(v *visit) { d.renderSummaryForm(v, nil, http.StatusOK) }

func (d *desk) renderSummaryForm(v *visit, wrong []flaw, code int) {
	places, err := d.allPlaces(v.ctx())
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	q := v.r.Form
	if q == nil {
		q = v.r.URL.Query()
	}
	s := d.scope(q, 12)
	d.pages.render(v.w, code, "summary", view{Title: "A summary to hand over", Here: "numbers", Visit: v,
		Data: map[string]any{"Scope": s, "Places": places, "Conventions": conventions, "Flaws": wrong}})
}

// summary sends the file.
func (d *desk) summary(v *visit) {
	if err := v.r.ParseForm(); err != nil {
		d.renderSummaryForm(v, []flaw{{"", "the form could not be read"}}, http.StatusBadRequest)
		return
	}
	s := d.scope(v.r.PostForm, 12)
	if from := v.r.PostFormValue("from"); from != "" {
		s.Start = from
	}
	format, err := words.Parse[pb.FileFormat](v.r.PostFormValue("format"))
	if err != nil {
		format = pb.FileFormat_FILE_FORMAT_PDF
	}
	resp, err := d.export.ExportSummary(v.ctx(), &pb.ExportSummaryRequest{Format: format, Summary: &pb.GetSummaryRequest{
		Workplace: s.Workplace, Period: s.period(), Convention: s.convention(), Datasets: s.datasets(), MinSequenceNumber: v.written}})
	if f, bad := flaws(err); bad {
		d.renderSummaryForm(v, f, http.StatusUnprocessableEntity)
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
