package desk

import (
	"net/http"

	pb "fairlead/proto/gen/fairlead/v1"
)

// home is "what needs me": the newest that could have killed, what is not
// coded yet, and the months without hours, as far as the person may see them.
func (d *desk) home(v *visit) {
	if !v.may("ReportService.ListReports") && !v.may("HoursService.ListHours") {
		// Somebody whose one work here is to tell.
		http.Redirect(v.w, v.r, "/report", http.StatusSeeOther)
		return
	}
	ctx := v.ctx()
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	now := d.opts.Clock().In(places.Home())
	since := now.AddDate(0, 0, -30).Format("2006-01-02")
	data := map[string]any{"Places": places}
	if v.may("ReportService.ListReports") {
		grave, err := d.reports.ListReports(ctx, &pb.ListReportsRequest{PageSize: 8, MinSequenceNumber: v.written, Filter: &pb.ReportFilter{StartDate: since,
			Potentials: []pb.PotentialSeverity{pb.PotentialSeverity_POTENTIAL_SEVERITY_FATAL, pb.PotentialSeverity_POTENTIAL_SEVERITY_LIFE_CHANGING}}})
		if err != nil {
			d.problem(v.w, v, err)
			return
		}
		newest, err := d.reports.ListReports(ctx, &pb.ListReportsRequest{PageSize: 8, Filter: &pb.ReportFilter{StartDate: since, Datasets: []string{"here"}}})
		if err != nil {
			d.problem(v.w, v, err)
			return
		}
		data["Grave"], data["Newest"] = grave, newest
	}
	if v.may("ClassificationService.AssignCoding") {
		uncoded, err := d.reports.ListReports(ctx, &pb.ListReportsRequest{PageSize: 6, Filter: &pb.ReportFilter{
			Kinds: []pb.ReportKind{pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS}, Datasets: []string{"here"},
			Codes: []*pb.CodeMatch{{Facet: pb.Facet_FACET_MECHANISM}}}})
		if err != nil {
			d.problem(v.w, v, err)
			return
		}
		data["Uncoded"] = uncoded
	}
	if v.may("MeasureService.ComputeRates") {
		rates, err := d.numbers.ComputeRates(ctx, &pb.ComputeRatesRequest{Measures: []string{"frequency_rate"}})
		if err != nil {
			d.problem(v.w, v, err)
			return
		}
		data["Rates"] = rates
	}
	d.pages.render(v.w, http.StatusOK, "home", view{Title: "What needs me", Here: "home", Visit: v, Data: data})
}
