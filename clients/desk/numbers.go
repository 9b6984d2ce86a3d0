package desk

import (
	"net/http"
	"net/url"
	"strconv"
	"time"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// scope is what the pages of figures are asked for. Months and Until are as
// somebody typed them, Start and End as they were understood.
type scope struct {
	Workplace, Convention, Measure, Months, Until, Start, End, Dataset, Rows, Columns, Level string
	Harms                                                                                    bool
	// AsAt is the moment as somebody typed it, past as it was understood.
	AsAt string
	past *pastView
	// wrong is what could not be understood: then nothing is reckoned, as an
	// answer to another question would pass for the answer.
	wrong []flaw
}

func (d *desk) scope(q url.Values, months int, loc *time.Location, now time.Time) scope {
	s := scope{Workplace: q.Get("workplace"), Convention: q.Get("convention"), Measure: q.Get("measure"), Dataset: q.Get("dataset"),
		Rows: q.Get("rows"), Columns: q.Get("columns"), Level: q.Get("level"), Harms: q.Get("harms") != "", Months: q.Get("months"), Until: q.Get("until")}
	if s.Months == "" {
		s.Months = strconv.Itoa(months)
	}
	n, err := strconv.Atoi(s.Months)
	if err != nil || n < 1 || n > 600 {
		s.wrong = append(s.wrong, bad("months", "write how many months as a whole number from 1 to 600"))
		n = months
	}
	// Whole months only: the running one would look like a good one.
	end := now.In(loc)
	end = time.Date(end.Year(), end.Month(), 1, 0, 0, 0, 0, time.UTC)
	switch t, err := time.Parse("2006-01", s.Until); {
	case s.Until == "":
		s.Until = end.AddDate(0, -1, 0).Format("2006-01")
	case err != nil:
		s.wrong = append(s.wrong, bad("until", "write the last month like 2026-03"))
	default:
		end = t.AddDate(0, 1, 0)
	}
	if _, err := words.Parse[pb.Convention](s.Convention); err != nil && s.Convention != "" {
		s.wrong = append(s.wrong, bad("convention", "choose one of the list"))
	}
	s.End, s.Start = end.Format("2006-01"), end.AddDate(0, -n, 0).Format("2006-01")
	return s
}

// LastMonth is the last month that is counted.
func (s scope) LastMonth() string {
	t, err := time.Parse("2006-01", s.End)
	if err != nil {
		return ""
	}
	return t.AddDate(0, -1, 0).Format("2006-01")
}

// Crossed says what a table counts, for its caption.
func (s scope) Crossed() string {
	name := func(slug string) string {
		for _, o := range options["dimension"] {
			if o.Slug == slug {
				return o.Words
			}
		}
		return slug
	}
	what := "Reports by "
	if s.Harms {
		what = "Persons hurt by "
	}
	if s.Columns == "" {
		return what + name(s.Rows)
	}
	return what + name(s.Rows) + " and " + name(s.Columns)
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
	q := url.Values{"workplace": {s.Workplace}, "convention": {s.Convention}, "until": {s.LastMonth()}}
	if s.Dataset != "" {
		q.Set("dataset", s.Dataset)
	}
	if measure != "" {
		q.Set("measure", measure)
	}
	if s.past != nil {
		q.Set("as_at", s.past.Said())
	}
	return page + "?" + q.Encode()
}

// scopeFields is how the form shows the fields of a question about figures.
var scopeFields = map[string]shown{"workplace": {"Where", "workplace"}, "workplaces": {"Where", "workplace"}, "measure": {"What", "measure"}, "measures": {"What", "measure"},
	"months": {"Months", "months"}, "until": {"Up to", "until"}, "start_month": {"Months", "months"}, "end_month": {"Up to", "until"}, "period": {"Months", "months"}, "start_date": {"Months", "months"}, "end_date": {"Up to", "until"},
	"rows": {"Rows", "rows"}, "columns": {"Columns", "columns"}, "datasets": {"Data set", "dataset"}, "convention": {"Convention", "convention"}, "as_at": {"As it stood at", "as_at"}}

// figures is the frame of a page of figures: it reads what is asked for, asks
// the services, and shows the answer or what could not be understood.
func (d *desk) figures(v *visit, name, title string, months int, ask func(s *scope, data map[string]any) error) {
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	s, err := d.scopeThen(v, v.r.URL.Query(), months, places)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	data := map[string]any{"Places": places}
	code := http.StatusOK
	if len(s.wrong) == 0 {
		err := ask(&s, data)
		list, isBad := flaws(err)
		if err != nil && !isBad {
			d.problem(v.w, v, err)
			return
		}
		s.wrong = list
	}
	if len(s.wrong) > 0 {
		data["Flaws"], code = located(s.wrong, scopeFields), http.StatusUnprocessableEntity
	}
	data["Scope"] = s
	d.pages.render(v.w, code, name, view{Title: title, Here: "numbers", Visit: v, Past: s.past, Data: data})
}

// rates is "what the numbers say".
func (d *desk) rates(v *visit) {
	d.figures(v, "numbers", "What the numbers say", 12, func(s *scope, data map[string]any) (err error) {
		data["Rates"], err = d.numbers.ComputeRates(v.ctx(), &pb.ComputeRatesRequest{Workplace: s.Workplace, Period: s.period(), Convention: s.convention(),
			Datasets: s.datasets(), MinSequenceNumber: v.written, AsAt: s.past.message()})
		return err
	})
}

// chart draws one measure by month.
func (d *desk) chart(v *visit) {
	d.figures(v, "chart", "Month by month", 36, func(s *scope, data map[string]any) error {
		if s.Measure == "" {
			s.Measure = "frequency_rate"
		}
		list, err := d.numbers.ListMeasures(v.ctx(), &pb.ListMeasuresRequest{Convention: s.convention()})
		if err != nil {
			return err
		}
		data["Measures"] = list.GetMeasures()
		data["Chart"], err = d.numbers.ComputeChart(v.ctx(), &pb.ComputeChartRequest{Measure: s.Measure, Workplace: s.Workplace, Period: s.period(), Convention: s.convention(),
			Filter: &pb.ReportFilter{Datasets: s.datasets()}, IncludeSvg: true, MinSequenceNumber: v.written, AsAt: s.past.message()})
		return err
	})
}

// table counts by one or two dimensions.
func (d *desk) table(v *visit) {
	d.figures(v, "table", "Count and cross", 12, func(s *scope, data map[string]any) error {
		if s.Rows == "" {
			s.Rows, s.Columns = "mechanism", "kind"
		}
		if s.Level == "" {
			s.Level = "1"
		}
		rows, _ := words.Parse[pb.Dimension](s.Rows)
		cols, _ := words.Parse[pb.Dimension](s.Columns)
		level, _ := strconv.Atoi(s.Level)
		f := &pb.ReportFilter{StartDate: s.Start + "-01", EndDate: s.End + "-01", Datasets: s.datasets()}
		if s.Workplace != "" {
			f.Workplaces = []string{s.Workplace}
		}
		ask := &pb.TabulateRequest{Filter: f, Rows: rows, Columns: cols, CodeLevel: int32(min(max(level, 0), 4)), CountHarms: s.Harms, MinSequenceNumber: v.written, AsAt: s.past.message()}
		t, err := d.numbers.Tabulate(v.ctx(), ask)
		if why := t.GetHeldBackReason(); why != "" && len(t.GetRows()) == 0 && !s.Harms {
			f.Kinds = nobodyHurt
			if of, err := d.numbers.Tabulate(v.ctx(), ask); err == nil && len(of.GetRows()) > 0 {
				t, data["Narrowed"] = of, why
			}
		}
		data["Table"], data["Grid"] = t, grid(t)
		return err
	})
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
