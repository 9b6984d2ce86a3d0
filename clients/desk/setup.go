package desk

import (
	"fmt"
	"net/http"

	"fairlead/clients/hoursfile"
	pb "fairlead/proto/gen/fairlead/v1"
)

// setup is "set things up": workplaces, hours, who I am.
func (d *desk) setup(v *visit) { d.renderSetup(v, nil, nil, http.StatusOK) }

func (d *desk) renderSetup(v *visit, wrong []flaw, done *pb.ImportHoursResponse, code int) {
	ctx := v.ctx()
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	data := map[string]any{"Places": places, "Flaws": located(wrong, setupFields), "Imported": done, "Check": v.r.PostFormValue("check") != "", "Restate": v.r.PostFormValue("restate") != "", "Reason": posted(v.r, "reason")}
	if v.may("HoursService.ListHours") {
		now := d.opts.Clock()
		h, err := d.hours.ListHours(ctx, &pb.ListHoursRequest{StartMonth: now.AddDate(0, -13, 0).Format("2006-01"), PageSize: 5000})
		if err != nil {
			d.problem(v.w, v, err)
			return
		}
		data["Hours"] = byMonth(h.GetHours())
	}
	if v.may("ChangeService.GetHead") {
		if head, err := d.changes.GetHead(ctx, &pb.GetHeadRequest{}); err == nil {
			data["Head"] = head
		}
	}
	d.pages.render(v.w, code, "setup", view{Title: "Set things up", Here: "setup", Visit: v, Data: data})
}

// setupFields is how the form shows its fields.
var setupFields = map[string]shown{"file": {"CSV file", "file"}, "reason": {"Why they change", "reason"}}

// monthHours is the hours of one month over all workplaces.
type monthHours struct {
	Month       string
	Hours       float64
	Rows        int
	Provisional int
}

func byMonth(list []*pb.Hours) []monthHours {
	at := map[string]int{}
	var out []monthHours
	for _, h := range list {
		i, ok := at[h.GetMonth()]
		if !ok {
			i = len(out)
			at[h.GetMonth()] = i
			out = append(out, monthHours{Month: h.GetMonth()})
		}
		out[i].Hours += h.GetHoursWorked()
		out[i].Rows++
		if h.GetStatus() == pb.HoursStatus_HOURS_STATUS_PROVISIONAL {
			out[i].Provisional++
		}
	}
	for i := 1; i < len(out); i++ {
		for j := i; j > 0 && out[j-1].Month < out[j].Month; j-- {
			out[j-1], out[j] = out[j], out[j-1]
		}
	}
	return out
}

// importHours takes an hours file.
func (d *desk) importHours(v *visit) {
	file, _, err := v.r.FormFile("file")
	if err != nil {
		d.renderSetup(v, []flaw{bad("file", "choose a CSV file of at most 4 MB")}, nil, http.StatusUnprocessableEntity)
		return
	}
	defer file.Close()
	rows, problems, err := hoursfile.Read(file)
	if err != nil {
		d.renderSetup(v, []flaw{bad("file", err.Error())}, nil, http.StatusUnprocessableEntity)
		return
	}
	if len(problems) > 0 {
		var wrong []flaw
		for _, p := range problems {
			wrong = append(wrong, bad("", fmt.Sprintf("line %d, column %s: %s", p.Line, p.Column, p.Cure)))
		}
		d.renderSetup(v, wrong, nil, http.StatusUnprocessableEntity)
		return
	}
	resp, err := d.hours.ImportHours(v.ctx(), &pb.ImportHoursRequest{Rows: rows, RequestId: newID(),
		Restate: v.r.PostFormValue("restate") != "", Reason: posted(v.r, "reason"), ValidateOnly: v.r.PostFormValue("check") != ""})
	if f, bad := flaws(err); bad {
		d.renderSetup(v, f, nil, http.StatusUnprocessableEntity)
		return
	}
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	d.sessions.wrote(v.id, resp.GetSequenceNumber())
	d.renderSetup(v, nil, resp, http.StatusOK)
}
