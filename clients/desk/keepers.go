package desk

import (
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
)

// keepersDone are the words for what was done.
var keepersDone = map[string]string{
	"named":   "Named. Nothing is closed to them before they have chosen a passphrase on this page.",
	"become":  "You are a keeper. Names told in confidence from now on are closed to you. Those that nobody kept until now follow in a moment; those that are closed to another keeper must be shared by them. A forgotten passphrase cannot be got back.",
	"shared":  "closed to all keepers now, and to nobody else.",
	"ended":   "Ended. Their key is destroyed.",
	"changed": "Your passphrase is changed. The one before opens nothing any more."}

// keepersFields is how the page shows the fields of its forms.
var keepersFields = map[string]shown{"principal": {"Who", "name-who"}, "passphrase": {"Passphrase", "passphrase"}, "again": {"The passphrase again", "again"}}

// keepersPage is the page of those to whom names told in confidence are closed.
// Whoever may become one reaches it as well as whoever may look at the list.
func (d *desk) keepersPage(v *visit) { d.renderKeepers(v, retry{}, http.StatusOK) }

func (d *desk) renderKeepers(v *visit, t retry, code int) {
	if !v.may("KeeperService.ListKeepers") {
		d.refuse(v)
		return
	}
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	list, err := d.keepers.ListKeepers(v.ctx(), &pb.ListKeepersRequest{})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	known, err := d.eligible(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	fields := keepersFields
	switch t.Form {
	case "share":
		fields = map[string]shown{"passphrase": {"Your passphrase", "share-passphrase"}}
	case "forget":
		fields = forgetFields
	}
	t.Flaws = located(t.Flaws, fields)
	data := map[string]any{"Retry": t, "Home": places.Home(), "List": list}
	var mine *pb.Keeper
	for _, k := range list.GetKeepers() {
		if k.GetPrincipal() == v.who.GetName() && k.GetEndTime() == nil {
			mine = k
		}
	}
	// Who is told of nobody was not named, and does not oversee the keepers.
	data["Listed"] = len(list.GetKeepers()) > 0 || list.GetAdvice() != ""
	data["Chooses"] = mine != nil && mine.GetRecipient() == "" && v.may("KeeperService.BecomeKeeper")
	data["Mine"] = mine.GetName()
	data["Forgets"] = mine.GetRecipient() != "" && v.may("KeeperService.EraseClosedNames")
	var share int32
	for _, c := range list.GetClosed() {
		if c.GetUnshared() && slices.Contains(c.GetKeepers(), mine.GetName()) {
			share += c.GetNames()
		}
	}
	data["Share"] = share
	called := map[string]string{}
	for _, p := range known {
		called[p.GetName()] = p.GetDisplayName()
	}
	data["People"], data["Called"] = known, called
	done := keepersDone[v.r.URL.Query().Get("done")]
	if n, err := strconv.Atoi(v.r.URL.Query().Get("names")); err == nil && done == keepersDone["shared"] && n >= 0 {
		done = howMany(n) + " " + done
	}
	if v.r.URL.Query().Get("done") == "forgotten" {
		done = destroyedWords(v.r.URL.Query())
	}
	d.pages.render(v.w, code, "keepers", view{Title: "Keepers of names", Here: "setup", Visit: v, Done: done, Data: data})
}

// howMany counts names in words.
func howMany(n int) string {
	if n == 1 {
		return "1 name is"
	}
	return strconv.Itoa(n) + " names are"
}

// shortName is how the short name of a principal looks.
var shortName = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`)

// eligible are the people who may become keepers, for whoever names them.
func (d *desk) eligible(v *visit) ([]*pb.Principal, error) {
	if !v.may("KeeperService.NameKeeper") || !v.may("PrincipalService.ListPrincipals") {
		return nil, nil
	}
	var out []*pb.Principal
	for token := ""; ; {
		page, err := d.principals.ListPrincipals(v.ctx(), &pb.ListPrincipalsRequest{PageSize: 500, PageToken: token})
		if err != nil {
			return nil, err
		}
		for _, p := range page.GetPrincipals() {
			for _, g := range p.GetGrants() {
				if r := g.GetRole(); r == pb.Role_ROLE_ADVISER || r == pb.Role_ROLE_SUPERVISOR || r == pb.Role_ROLE_INVESTIGATOR {
					out = append(out, p)
					break
				}
			}
		}
		if token = page.GetNextPageToken(); token == "" {
			return out, nil
		}
	}
}

// nameKeeper names a keeper: by what people call them when one person alone is
// called so, else by their short name.
func (d *desk) nameKeeper(v *visit) {
	who := posted(v.r, "who")
	known, err := d.eligible(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	var called []string
	for _, p := range known {
		if strings.EqualFold(p.GetDisplayName(), who) || strings.EqualFold(p.GetSignInName(), who) {
			called = append(called, p.GetName())
		}
	}
	name := "principals/" + strings.TrimPrefix(who, "principals/")
	if len(called) == 1 {
		name = called[0]
	}
	if !shortName.MatchString(strings.TrimPrefix(name, "principals/")) {
		d.renderKeepers(v, retry{Form: "name", Values: v.r.PostForm, Flaws: []flaw{bad("principal", "choose somebody of the list, or type their short name")}}, http.StatusUnprocessableEntity)
		return
	}
	_, err = d.keepers.NameKeeper(v.ctx(), &pb.NameKeeperRequest{Principal: name})
	d.keepersThen(v, "name", "named", err)
}

// becomeKeeper chooses the passphrase of whoever is signed in. It is written
// into no page and no address.
func (d *desk) becomeKeeper(v *visit) {
	if v.r.PostFormValue("passphrase") != v.r.PostFormValue("again") {
		d.renderKeepers(v, retry{Form: "become", Flaws: []flaw{bad("again", "is not the same as the first; type both again")}}, http.StatusUnprocessableEntity)
		return
	}
	_, err := d.keepers.BecomeKeeper(v.ctx(), &pb.BecomeKeeperRequest{Passphrase: v.r.PostFormValue("passphrase")})
	d.keepersThen(v, "become", "become", err)
}

// shareNames closes the names of whoever is signed in to all keepers.
func (d *desk) shareNames(v *visit) {
	out, err := d.keepers.ShareClosedNames(v.ctx(), &pb.ShareClosedNamesRequest{Passphrase: v.r.PostFormValue("share_passphrase")})
	d.keepersThen(v, "share", "shared&names="+strconv.Itoa(int(out.GetShared())), err)
}

// endKeeper destroys a keeper's key.
func (d *desk) endKeeper(v *visit) {
	id := v.r.PathValue("id")
	_, err := d.keepers.EndKeeper(v.ctx(), &pb.EndKeeperRequest{Name: "keepers/" + id, EvenIfLast: v.r.PostFormValue("even_if_last") != ""})
	d.keepersThen(v, "end "+id, "ended", err)
}

// keepersThen goes back to the page, or shows a form again with what was wrong.
func (d *desk) keepersThen(v *visit, form, done string, err error) {
	again := retry{Form: form, Values: url.Values{"who": {posted(v.r, "who")}}}
	if list, isBad := flaws(err); isBad {
		again.Flaws = list
		d.renderKeepers(v, again, http.StatusUnprocessableEntity)
		return
	}
	switch status.Code(err) {
	case codes.OK:
		http.Redirect(v.w, v.r, "/keepers?done="+done, http.StatusSeeOther)
	case codes.FailedPrecondition, codes.PermissionDenied, codes.NotFound, codes.Aborted, codes.ResourceExhausted:
		again.Flaws = []flaw{bad("", sentence(status.Convert(err).Message()))}
		d.renderKeepers(v, again, http.StatusConflict)
	default:
		d.problem(v.w, v, err)
	}
}
