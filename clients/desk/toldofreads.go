package desk

import (
	"encoding/csv"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// concerned are the persons who can be told who read, and what of it is about
// them. Whoever was hurt must not learn from it who told, nor that anybody
// looked at it.
var concerned = map[string][]pb.ReadClass{
	"hurt": {pb.ReadClass_READ_CLASS_HEALTH, pb.ReadClass_READ_CLASS_FILES},
	"told": {pb.ReadClass_READ_CLASS_TELLER, pb.ReadClass_READ_CLASS_MESSAGES, pb.ReadClass_READ_CLASS_FILES},
}

// toldOfReads is a page, or a file, that the person concerned can be given: who
// read what is sensitive of a report, and when; nothing of what it says.
func (d *desk) toldOfReads(v *visit) {
	whose := v.r.URL.Query().Get("for")
	if _, ok := concerned[whose]; !ok {
		whose = "hurt"
	}
	r, err := d.reports.GetReport(v.ctx(), &pb.GetReportRequest{Name: words.Report(v.r.PathValue("id"))})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	list, err := d.reads.ListReads(v.ctx(), &pb.ListReadsRequest{Report: r.GetName()})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	rows := slices.DeleteFunc(list.GetReadings(), func(one *pb.Reading) bool { return !slices.Contains(concerned[whose], one.GetClass()) })
	slices.Reverse(rows) // a letter tells it in the order in which it happened
	zone := places.Zone(r.GetWorkplace())
	if v.r.URL.Query().Get("as") == "csv" {
		writeReads(v.w, r, rows, zone)
		return
	}
	d.pages.render(v.w, http.StatusOK, "reads", view{Title: "Who read report " + r.GetShortCode(), Here: "reports", Visit: v, Data: map[string]any{
		"Report": r, "Rows": rows, "Zone": zone, "For": whose, "Today": d.opts.Clock().In(zone).Format("2 January 2006")}})
}

// writeReads writes the same as a file.
func writeReads(w http.ResponseWriter, r *pb.Report, rows []*pb.Reading, zone *time.Location) {
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="reads-%s.csv"`, r.GetShortCode()))
	out := csv.NewWriter(w)
	_ = out.Write([]string{"when", "who", "what", "why"})
	for _, one := range rows {
		_ = out.Write([]string{when(one.GetReadTime(), zone, "2006-01-02 15:04"), plainCell(calledOr(one)), readWords(one.GetClass()), plainCell(one.GetReason())})
	}
	out.Flush()
}

// calledOr is what people call whoever read, or their id.
func calledOr(one *pb.Reading) string {
	if t := one.GetPrincipalTitle(); t != "" {
		return t
	}
	return words.Short(one.GetPrincipal())
}

// plainCell keeps a spreadsheet from taking words for a formula.
func plainCell(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}
