package desk

import (
	"net/http"
	"net/url"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// placesDone are the words for what was done.
var placesDone = map[string]string{"added": "Added.", "changed": "Changed.", "closed": "Closed: it takes no new reports, and keeps those it has.", "open": "Open again."}

// workplaceRow is one workplace of the page, with what its form shows.
type workplaceRow struct {
	place
	*pb.Workplace
}

// workplaces is "workplaces": the tree, to be added to and changed.
func (d *desk) workplaces(v *visit) { d.renderWorkplaces(v, "", nil, nil, http.StatusOK) }

// renderWorkplaces shows the page, with what was wrong with a form of it.
func (d *desk) renderWorkplaces(v *visit, form string, typed url.Values, wrong []flaw, code int) {
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	var rows []workplaceRow
	for _, p := range places.List {
		rows = append(rows, workplaceRow{p, places.byID[p.Name]})
	}
	d.pages.render(v.w, code, "workplaces", view{Title: "Workplaces", Here: "setup", Visit: v, Done: placesDone[v.r.URL.Query().Get("done")],
		Data: map[string]any{"Rows": rows, "Places": places, "Form": form, "Typed": typed,
			"Flaws": located(wrong, map[string]shown{"title": {"What people call it", form + "-title"}, "name": {"Short name", form + "-id"},
				"level": {"What it is", form + "-level"}, "parent": {"Part of", form + "-parent"}, "time_zone": {"Time zone", form + "-zone"},
				"jurisdiction": {"Whose safety law applies", form + "-law"}})}})
}

// posedWorkplace reads a workplace from a form.
func posedWorkplace(r *http.Request) *pb.Workplace {
	return &pb.Workplace{Title: posted(r, "title"), Parent: posted(r, "parent"), Level: choice[pb.WorkplaceLevel](r, "level"),
		TimeZone: posted(r, "zone"), Jurisdiction: posted(r, "law")}
}

// addWorkplace adds a workplace.
func (d *desk) addWorkplace(v *visit) {
	w := posedWorkplace(v.r)
	w.Name = words.Workplace(strings.ToLower(posted(v.r, "id")))
	_, err := d.places.CreateWorkplace(v.ctx(), &pb.CreateWorkplaceRequest{Workplace: w, RequestId: posted(v.r, "request_id")})
	d.workplacesThen(v, "add", "added", err)
}

// changeWorkplace changes what a workplace is called, what it is part of, its
// zone and law.
func (d *desk) changeWorkplace(v *visit) {
	w := posedWorkplace(v.r)
	w.Name, w.Etag, w.Level = "workplaces/"+v.r.PathValue("id"), posted(v.r, "etag"), 0
	mask := &fieldmaskpb.FieldMask{Paths: []string{"title", "parent", "time_zone", "jurisdiction"}}
	_, err := d.places.UpdateWorkplace(v.ctx(), &pb.UpdateWorkplaceRequest{Workplace: w, UpdateMask: mask, RequestId: posted(v.r, "request_id")})
	d.workplacesThen(v, v.r.PathValue("id"), "changed", err)
}

// closeWorkplace closes a workplace from now on, or opens it again.
func (d *desk) closeWorkplace(v *visit) {
	w := &pb.Workplace{Name: "workplaces/" + v.r.PathValue("id"), Etag: posted(v.r, "etag")}
	done := "open"
	if posted(v.r, "close") != "" {
		w.CloseTime, done = timestamppb.New(d.opts.Clock()), "closed"
	}
	_, err := d.places.UpdateWorkplace(v.ctx(), &pb.UpdateWorkplaceRequest{Workplace: w,
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"close_time"}}, RequestId: posted(v.r, "request_id")})
	d.workplacesThen(v, v.r.PathValue("id"), done, err)
}

// workplacesThen goes back to the page, or shows a form again.
func (d *desk) workplacesThen(v *visit, form, done string, err error) {
	if err == nil {
		http.Redirect(v.w, v.r, "/workplaces?done="+done, http.StatusSeeOther)
		return
	}
	if list, isBad := flaws(err); isBad {
		d.renderWorkplaces(v, form, v.r.PostForm, list, http.StatusUnprocessableEntity)
		return
	}
	switch status.Code(err) {
	case codes.Aborted, codes.FailedPrecondition, codes.AlreadyExists, codes.NotFound:
		d.renderWorkplaces(v, form, v.r.PostForm, []flaw{bad("", status.Convert(err).Message())}, http.StatusConflict)
	default:
		d.problem(v.w, v, err)
	}
}
