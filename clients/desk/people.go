package desk

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"fairlead/clients/peoplefile"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// peoplePage is how many people one page of the list shows.
const peoplePage = 100

// joining is a form of the page that came back.
type joining struct {
	Name   string
	Values url.Values
	Flaws  []flaw
	// Imported is what became of a file, or what would.
	Imported *imported
}

// Val returns what was typed into a field, "" when another form came back.
func (j joining) Val(form, field string) string {
	if j.Name != form {
		return ""
	}
	return j.Values.Get(field)
}

// peopleFields is how the page shows the fields of its forms.
var peopleFields = map[string]shown{"display_name": {"What people call them", "join-name"}, "sign_in_name": {"Name to sign in with", "join-signin"},
	"grants": {"What they do here", "join-role"}, "role": {"What they do here", "join-role"}, "workplaces": {"Where", "join-workplace"},
	"file": {"CSV file", "people-file"}, "words": {"Find somebody", "words"}}

// people is "who may come in".
func (d *desk) people(v *visit) { d.renderPeople(v, joining{}, http.StatusOK) }

// findPeople takes what is looked for. Names stay out of addresses.
func (d *desk) findPeople(v *visit) {
	_ = v.r.ParseForm() // what could not be read is empty, and finds everybody
	rest := url.Values{}
	if v.r.PostForm.Get("left") != "" {
		rest.Set("left", "1")
	}
	d.searched(v, "/people", rest, v.r.PostForm.Get("words"))
}

func (d *desk) renderPeople(v *visit, form joining, code int) {
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	q := v.r.URL.Query()
	left := q.Get("left") != ""
	said := ""
	if key := q.Get("search"); key != "" {
		var kept bool
		if said, kept = d.sessions.recall(v.id, key); !kept {
			form.Flaws, code = append(form.Flaws, forgotten), http.StatusGone
		}
	}
	all, err := d.everybody(v, left)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	found := slices.DeleteFunc(slices.Clone(all), func(p *pb.Principal) bool { return !isCalled(p, said) })
	at, _ := strconv.Atoi(q.Get("from"))
	at = max(0, min(at, len(found)))
	end := min(at+peoplePage, len(found))
	more := func(from int) string {
		to := url.Values{}
		for _, name := range []string{"left", "search"} {
			if q.Get(name) != "" {
				to.Set(name, q.Get(name))
			}
		}
		if from > 0 {
			to.Set("from", strconv.Itoa(from))
		}
		return "/people?" + to.Encode()
	}
	data := map[string]any{"People": found[at:end], "Found": len(found), "All": len(all), "First": at + 1, "Last": end, "Words": said, "Form": form, "Places": places, "Left": left}
	if end < len(found) {
		data["Next"] = more(end)
	}
	if at > 0 {
		data["Before"] = more(max(0, at-peoplePage))
	}
	form.Flaws = located(form.Flaws, peopleFields)
	data["Form"] = form
	d.pages.render(v.w, code, "people", view{Title: "Who may come in", Here: "setup", Visit: v, Data: data})
}

// everybody lists all principals, in the order of what people call them.
func (d *desk) everybody(v *visit, left bool) ([]*pb.Principal, error) {
	var list []*pb.Principal
	for token := ""; ; {
		page, err := d.principals.ListPrincipals(v.ctx(), &pb.ListPrincipalsRequest{PageSize: 500, PageToken: token, IncludeLeft: left})
		if err != nil {
			return nil, err
		}
		list = append(list, page.GetPrincipals()...)
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	slices.SortStableFunc(list, func(a, b *pb.Principal) int {
		return strings.Compare(strings.ToLower(a.GetDisplayName()), strings.ToLower(b.GetDisplayName()))
	})
	return list, nil
}

// isCalled reports whether each word begins a part of somebody's names.
func isCalled(p *pb.Principal, said string) bool {
	parts := strings.FieldsFunc(strings.ToLower(p.GetDisplayName()+" "+p.GetSignInName()), func(r rune) bool { return strings.ContainsRune(" .-_@", r) })
	for _, w := range strings.FieldsFunc(strings.ToLower(said), func(r rune) bool { return strings.ContainsRune(" .-_@", r) }) {
		if !slices.ContainsFunc(parts, func(part string) bool { return strings.HasPrefix(part, w) }) {
			return false
		}
	}
	return true
}

// everywhere is what a form sends for a role that holds in the whole house. It
// has to be chosen: nobody gets it by leaving a list alone.
const everywhere = "everywhere"

// granted reads a role and its workplaces from a form, or says what is missing.
func granted(r *http.Request) (*pb.Grant, []flaw) {
	g := &pb.Grant{Role: choice[pb.Role](r, "role")}
	whole := false
	for _, w := range r.PostForm["workplace"] {
		switch {
		case w == everywhere:
			whole = true
		case w != "" && !slices.Contains(g.GetWorkplaces(), w):
			g.Workplaces = append(g.Workplaces, w)
		}
	}
	var wrong []flaw
	if g.GetRole() == 0 {
		wrong = append(wrong, bad("grants", "choose what they do"))
	}
	switch {
	case whole && len(g.GetWorkplaces()) > 0:
		wrong = append(wrong, bad("workplaces", "is everywhere and a place at once; choose one of the two"))
	case !whole && len(g.GetWorkplaces()) == 0:
		wrong = append(wrong, bad("workplaces", "choose the place; everywhere only for those whose work is the whole house"))
	}
	return g, wrong
}

// join adds somebody.
func (d *desk) join(v *visit) {
	if err := v.r.ParseForm(); err != nil {
		d.renderPeople(v, joining{Name: "join", Flaws: []flaw{bad("", "the form could not be read")}}, http.StatusUnprocessableEntity)
		return
	}
	p := &pb.Principal{DisplayName: posted(v.r, "name"), SignInName: posted(v.r, "sign_in_name"), OfferedOnTablets: posted(v.r, "tablets") != ""}
	g, missing := granted(v.r)
	p.Grants = []*pb.Grant{g}
	p.Name = "principals/" + peoplefile.ID(p.GetDisplayName(), p.GetSignInName(), strings.Join(v.r.PostForm["workplace"], " "))
	// With something to mend already, only what else there is to mend.
	_, err := d.principals.CreatePrincipal(v.ctx(), &pb.CreatePrincipalRequest{Principal: p, RequestId: posted(v.r, "request_id"), ValidateOnly: len(missing) > 0})
	again := joining{Name: "join", Values: v.r.PostForm}
	list, _ := flaws(err)
	for _, m := range missing {
		if !slices.ContainsFunc(list, func(f flaw) bool { return columnish(f.Field) == columnish(m.Field) }) {
			list = append(list, m)
		}
	}
	if len(list) > 0 {
		again.Flaws = list
		d.renderPeople(v, again, http.StatusUnprocessableEntity)
		return
	}
	switch status.Code(err) {
	case codes.OK:
		http.Redirect(v.w, v.r, "/people/"+words.Short(p.GetName())+"?done=joined", http.StatusSeeOther)
	case codes.AlreadyExists:
		again.Flaws = []flaw{bad("", "this person is on the list already, perhaps as somebody who has left; add them with a sign-in name of their own")}
		d.renderPeople(v, again, http.StatusConflict)
	default:
		d.problem(v.w, v, err)
	}
}

// columnish is which question of the form a field belongs to.
func columnish(field string) string {
	if name := last(field); name != "role" {
		return name
	}
	return "grants"
}
