package desk

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"fairlead/clients/peoplefile"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// peopleDone are the words for what was done.
var peopleDone = map[string]string{"joined": "Added. Make a sign-in code, so that they can choose a password.",
	"moved": "Changed. If the rights changed, they are signed out everywhere.", "left": "They have left: nothing lets them in any more.",
	"suspended": "Kept out for now.", "back": "They may come in again."}

// joining is a form of the page that came back.
type joining struct {
	Name   string
	Values url.Values
	Flaws  []flaw
	// Code is a sign-in code, shown once, and Who it is for.
	Code, Who string
	// Lines say what is wrong with a file, or what it would do.
	Lines []string
	Added int
}

// Val returns what was typed into a field, "" when another form came back.
func (j joining) Val(form, field string) string {
	if j.Name != form {
		return ""
	}
	return j.Values.Get(field)
}

// people is "who may come in".
func (d *desk) people(v *visit) { d.renderPeople(v, joining{}, http.StatusOK) }

func (d *desk) renderPeople(v *visit, form joining, code int) {
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	var list []*pb.Principal
	for token := ""; ; {
		page, err := d.principals.ListPrincipals(v.ctx(), &pb.ListPrincipalsRequest{PageSize: 500, PageToken: token, IncludeLeft: v.r.URL.Query().Get("left") != ""})
		if err != nil {
			d.problem(v.w, v, err)
			return
		}
		list = append(list, page.GetPrincipals()...)
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	form.Flaws = located(form.Flaws, map[string]shown{"display_name": {"What people call them", "join-name"}, "sign_in_name": {"Name to sign in with", "join-signin"},
		"grants": {"What they do here", "join-role"}, "role": {"What they do here", "join-role"}, "workplaces": {"Where", "join-workplace"}, "file": {"CSV file", "people-file"}})
	d.pages.render(v.w, code, "people", view{Title: "Who may come in", Here: "setup", Visit: v, Done: peopleDone[v.r.URL.Query().Get("done")],
		Data: map[string]any{"People": list, "Form": form, "Places": places, "Left": v.r.URL.Query().Get("left") != ""}})
}

// granted reads the role and the workplace of a form.
func granted(r *http.Request) []*pb.Grant {
	role := choice[pb.Role](r, "role")
	if role == 0 {
		return nil
	}
	g := &pb.Grant{Role: role}
	for _, w := range r.PostForm["workplace"] {
		if w != "" {
			g.Workplaces = append(g.Workplaces, w)
		}
	}
	return []*pb.Grant{g}
}

// join adds somebody.
func (d *desk) join(v *visit) {
	if err := v.r.ParseForm(); err != nil {
		d.renderPeople(v, joining{Name: "join", Flaws: []flaw{bad("", "the form could not be read")}}, http.StatusUnprocessableEntity)
		return
	}
	p := &pb.Principal{DisplayName: posted(v.r, "name"), SignInName: posted(v.r, "sign_in_name"), Grants: granted(v.r), OfferedOnTablets: posted(v.r, "tablets") != ""}
	p.Name = "principals/" + peoplefile.ID(p.GetDisplayName(), p.GetSignInName(), strings.Join(v.r.PostForm["workplace"], " "))
	_, err := d.principals.CreatePrincipal(v.ctx(), &pb.CreatePrincipalRequest{Principal: p, RequestId: posted(v.r, "request_id")})
	if err != nil {
		d.peopleAgain(v, "join", err)
		return
	}
	http.Redirect(v.w, v.r, "/people?done=joined#"+words.Short(p.GetName()), http.StatusSeeOther)
}

// peopleAgain shows a form again with what was wrong.
func (d *desk) peopleAgain(v *visit, form string, err error) {
	again := joining{Name: form, Values: v.r.PostForm}
	if list, isBad := flaws(err); isBad {
		again.Flaws = list
		d.renderPeople(v, again, http.StatusUnprocessableEntity)
		return
	}
	switch status.Code(err) {
	case codes.Aborted, codes.FailedPrecondition, codes.NotFound:
		again.Flaws = []flaw{bad("", status.Convert(err).Message())}
	case codes.AlreadyExists:
		again.Flaws = []flaw{bad("", "this person is on the list already, perhaps as somebody who has left; add them with a sign-in name of their own")}
	default:
		d.problem(v.w, v, err)
		return
	}
	d.renderPeople(v, again, http.StatusConflict)
}

// move changes what somebody may do.
func (d *desk) move(v *visit) {
	_ = v.r.ParseForm() // what could not be read is empty, and refused as such
	p := &pb.Principal{Name: "principals/" + v.r.PathValue("id"), Etag: posted(v.r, "etag"), DisplayName: posted(v.r, "name"),
		SignInName: posted(v.r, "sign_in_name"), Grants: granted(v.r), OfferedOnTablets: posted(v.r, "tablets") != ""}
	paths := []string{"display_name", "sign_in_name", "grants", "offered_on_tablets"}
	if v.r.PostFormValue("keep_grants") != "" {
		paths, p.Grants = []string{"display_name", "sign_in_name", "offered_on_tablets"}, nil
	}
	_, err := d.principals.UpdatePrincipal(v.ctx(), &pb.UpdatePrincipalRequest{Principal: p, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}, RequestId: posted(v.r, "request_id")})
	d.peopleThen(v, "moved", err)
}

// stand changes whether somebody may come in for now.
func (d *desk) stand(state pb.PrincipalState, done string) func(*visit) {
	return func(v *visit) {
		_, err := d.principals.UpdatePrincipal(v.ctx(), &pb.UpdatePrincipalRequest{Principal: &pb.Principal{
			Name: "principals/" + v.r.PathValue("id"), Etag: posted(v.r, "etag"), State: state},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"state"}}, RequestId: posted(v.r, "request_id")})
		d.peopleThen(v, done, err)
	}
}

// leave says that somebody has left.
func (d *desk) leave(v *visit) {
	_, err := d.principals.EndPrincipal(v.ctx(), &pb.EndPrincipalRequest{Name: "principals/" + v.r.PathValue("id"), Etag: posted(v.r, "etag"), RequestId: posted(v.r, "request_id")})
	d.peopleThen(v, "left", err)
}

func (d *desk) peopleThen(v *visit, done string, err error) {
	if err != nil {
		d.peopleAgain(v, "move", err)
		return
	}
	http.Redirect(v.w, v.r, "/people?done="+done, http.StatusSeeOther)
}

// signInCode makes a code with which somebody chooses a password.
func (d *desk) signInCode(v *visit) {
	name := "principals/" + v.r.PathValue("id")
	resp, err := d.signins.MakeSignInCode(v.ctx(), &pb.MakeSignInCodeRequest{Principal: name})
	if err != nil {
		d.peopleAgain(v, "move", err)
		return
	}
	v.w.Header().Set("Cache-Control", "no-store")
	d.renderPeople(v, joining{Code: resp.GetCode(), Who: posted(v.r, "who")}, http.StatusOK)
}

// importPeople takes a file of people: all of it is checked before anything is
// stored.
func (d *desk) importPeople(v *visit) {
	again := func(code int, form joining) { form.Name = "file"; d.renderPeople(v, form, code) }
	file, _, err := v.r.FormFile("file")
	if err != nil {
		again(http.StatusUnprocessableEntity, joining{Flaws: []flaw{bad("file", "choose a CSV file of at most 4 MB")}})
		return
	}
	defer file.Close()
	rows, problems, err := peoplefile.Read(file)
	if err != nil {
		again(http.StatusUnprocessableEntity, joining{Flaws: []flaw{bad("file", err.Error())}})
		return
	}
	var lines []string
	for _, p := range problems {
		at := fmt.Sprintf("line %d", p.Line)
		if p.Column != "" {
			at += ", column " + p.Column
		}
		lines = append(lines, at+": "+p.Cure)
	}
	fresh, more, err := d.checkPeople(v.ctx(), rows)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	if lines = append(lines, more...); len(lines) > 0 {
		again(http.StatusUnprocessableEntity, joining{Flaws: []flaw{bad("file", "has lines that need mending. Nothing was stored: mend them and bring the file in again.")}, Lines: lines})
		return
	}
	if v.r.PostFormValue("check") != "" {
		again(http.StatusOK, joining{Lines: []string{fmt.Sprintf("%d people would be added, %d are there already. Nothing was stored.", len(fresh), len(rows)-len(fresh))}})
		return
	}
	for i, p := range fresh {
		if _, err := d.principals.CreatePrincipal(v.ctx(), &pb.CreatePrincipalRequest{Principal: p}); err != nil {
			d.problem(v.w, v, fmt.Errorf("%d of %d were added; bring the file in again to go on: %w", i, len(fresh), err))
			return
		}
	}
	again(http.StatusOK, joining{Lines: []string{fmt.Sprintf("%d people added, %d were there already.", len(fresh), len(rows)-len(fresh))}, Added: len(fresh)})
}

// checkPeople asks what would become of each row: those that are new, and what
// is wrong.
func (d *desk) checkPeople(ctx context.Context, rows []peoplefile.Row) (fresh []*pb.Principal, wrong []string, err error) {
	for _, row := range rows {
		_, err := d.principals.CreatePrincipal(ctx, &pb.CreatePrincipalRequest{Principal: row.Principal, ValidateOnly: true})
		if list, isBad := flaws(err); isBad {
			for _, f := range list {
				wrong = append(wrong, fmt.Sprintf("line %d, %s: %s", row.Line, strings.ReplaceAll(last(f.Field), "_", " "), f.Words))
			}
			continue
		}
		switch status.Code(err) {
		case codes.OK:
			fresh = append(fresh, row.Principal)
		case codes.AlreadyExists:
		default:
			return nil, nil, err
		}
	}
	return fresh, wrong, nil
}
