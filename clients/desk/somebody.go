package desk

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "fairlead/proto/gen/fairlead/v1"
)

// somebodyDone are the words for what was done.
var somebodyDone = map[string]string{
	"joined": "Added.", "changed": "Changed.",
	"moved":     "Changed, and in force now. They are signed out everywhere and sign in again with what they may do from now on.",
	"ended":     "That is over, and they are signed out everywhere. What they may still do stands below.",
	"left":      "They have left: nothing lets them in any more.",
	"suspended": "Kept out for now: they are signed out everywhere, and what they may do waits for them.",
	"back":      "They may come in again.",
}

// somebody is the page of one principal.
type somebody struct {
	Form   string
	Values url.Values
	Flaws  []flaw
	// Code is a sign-in code, shown once, with the address to use it at.
	Code *pb.MakeSignInCodeResponse
	Link string
}

func (s somebody) Val(form, field, otherwise string) string {
	if s.Form != form {
		return otherwise
	}
	return s.Values.Get(field)
}

// principalOf is the principal that an address names.
func principalOf(v *visit) string { return "principals/" + v.r.PathValue("id") }

func (d *desk) somebody(v *visit) { d.renderSomebody(v, somebody{}, http.StatusOK) }

func (d *desk) renderSomebody(v *visit, s somebody, code int) {
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	p, err := d.principals.GetPrincipal(v.ctx(), &pb.GetPrincipalRequest{Name: principalOf(v)})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	s.Flaws = located(s.Flaws, map[string]shown{"display_name": {"What people call them", "name"}, "sign_in_name": {"Name to sign in with", "signin"},
		"grants": {"What they do here", "more-role"}, "role": {"What they do here", "more-role"}, "workplaces": {"Where", "more-workplace"}})
	data := map[string]any{"P": p, "Form": s, "Places": places, "Home": places.Home(), "Gone": p.GetEndTime() != nil,
		"Out": p.GetState() == pb.PrincipalState_PRINCIPAL_STATE_SUSPENDED, "Self": p.GetName() == v.who.GetName()}
	if v.may("PrincipalService.CreateToken") && p.GetEndTime() == nil {
		if err := d.letIn(v, p.GetName(), data); err != nil {
			d.problem(v.w, v, err)
			return
		}
	}
	d.pages.render(v.w, code, "somebody", view{Title: p.GetDisplayName() + ", who may come in", Here: "setup", Visit: v, Done: somebodyDone[v.r.URL.Query().Get("done")], Data: data})
}

// letIn adds by what somebody comes in now, and what ends when they leave.
func (d *desk) letIn(v *visit, name string, data map[string]any) error {
	ways, err := d.signins.ListCredentials(v.ctx(), &pb.ListCredentialsRequest{Principal: name})
	if err != nil {
		return err
	}
	open, err := d.principals.ListSessions(v.ctx(), &pb.ListSessionsRequest{Principal: name})
	if err != nil {
		return err
	}
	tokens, err := d.principals.ListTokens(v.ctx(), &pb.ListTokensRequest{Principal: name})
	if err != nil {
		return err
	}
	data["LetIn"], data["Ways"], data["Sessions"], data["Tokens"] = true, ways.GetCredentials(), len(open.GetSessions()), tokens.GetTokens()
	if !v.may("KeeperService.ListKeepers") {
		return nil
	}
	list, err := d.keepers.ListKeepers(v.ctx(), &pb.ListKeepersRequest{})
	if err != nil {
		return err
	}
	with := 0
	for _, k := range list.GetKeepers() {
		if k.GetRecipient() == "" {
			continue
		}
		if with++; k.GetPrincipal() == name {
			data["Keeper"] = true
		}
	}
	data["LastKeeper"] = data["Keeper"] == true && with == 1
	return nil
}

// somebodyThen goes back to the page, or shows it again with what is wrong.
func (d *desk) somebodyThen(v *visit, form, done string, err error) {
	again := somebody{Form: form, Values: v.r.PostForm}
	if list, isBad := flaws(err); isBad {
		again.Flaws = list
		d.renderSomebody(v, again, http.StatusUnprocessableEntity)
		return
	}
	switch status.Code(err) {
	case codes.OK:
		http.Redirect(v.w, v.r, "/people/"+v.r.PathValue("id")+"?done="+done, http.StatusSeeOther)
	case codes.Aborted:
		again.Flaws = []flaw{bad("", "somebody else changed this person first; what stands here now is theirs. Look, and send yours again if it still holds")}
		d.renderSomebody(v, again, http.StatusConflict)
	case codes.FailedPrecondition, codes.NotFound, codes.AlreadyExists:
		again.Flaws = []flaw{bad("", status.Convert(err).Message())}
		d.renderSomebody(v, again, http.StatusConflict)
	default:
		d.problem(v.w, v, err)
	}
}

// changeThem sends a change of a principal.
func (d *desk) changeThem(v *visit, p *pb.Principal, paths ...string) error {
	p.Name, p.Etag = principalOf(v), posted(v.r, "etag")
	_, err := d.principals.UpdatePrincipal(v.ctx(), &pb.UpdatePrincipalRequest{Principal: p, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}, RequestId: posted(v.r, "request_id")})
	return err
}

// rename changes what somebody is called, signs in as, and whether tablets
// offer them.
func (d *desk) rename(v *visit) {
	err := d.changeThem(v, &pb.Principal{DisplayName: posted(v.r, "name"), SignInName: posted(v.r, "sign_in_name"), OfferedOnTablets: posted(v.r, "tablets") != ""},
		"display_name", "sign_in_name", "offered_on_tablets")
	d.somebodyThen(v, "name", "changed", err)
}

// regrant changes one thing that somebody does, adds one, or ends one: the
// others stay as they are.
func (d *desk) regrant(end bool) func(*visit) {
	return func(v *visit) {
		_ = v.r.ParseForm() // what could not be read is empty, and refused as such
		now, err := d.principals.GetPrincipal(v.ctx(), &pb.GetPrincipalRequest{Name: principalOf(v)})
		if err != nil {
			d.somebodyThen(v, "role", "", err)
			return
		}
		if now.GetEtag() != posted(v.r, "etag") {
			d.somebodyThen(v, "role", "", status.Error(codes.Aborted, "changed meanwhile"))
			return
		}
		list := now.GetGrants()
		i, err := strconv.Atoi(posted(v.r, "which"))
		if err != nil || i < 0 || i > len(list) || end && i == len(list) {
			d.somebodyThen(v, "role", "", status.Error(codes.NotFound, "that is not among what they do; look at the list again"))
			return
		}
		form, done := "role-"+strconv.Itoa(i), "moved"
		g, missing := granted(v.r)
		switch {
		case end && len(list) == 1:
			d.somebodyThen(v, form, "", status.Error(codes.FailedPrecondition, "it is the only thing they do here: change it, keep them out for now, or say that they have left"))
			return
		case end:
			list, done = slices.Delete(list, i, i+1), "ended"
		case len(missing) > 0:
			d.renderSomebody(v, somebody{Form: form, Values: v.r.PostForm, Flaws: missing}, http.StatusUnprocessableEntity)
			return
		case i == len(list):
			list = append(list, g)
		default:
			list[i] = g
		}
		d.somebodyThen(v, form, done, d.changeThem(v, &pb.Principal{Grants: list}, "grants"))
	}
}

// stand changes whether somebody may come in for now.
func (d *desk) stand(state pb.PrincipalState, done string) func(*visit) {
	return func(v *visit) {
		d.somebodyThen(v, "stand", done, d.changeThem(v, &pb.Principal{State: state}, "state"))
	}
}

// leave says that somebody has left.
func (d *desk) leave(v *visit) {
	_, err := d.principals.EndPrincipal(v.ctx(), &pb.EndPrincipalRequest{Name: principalOf(v), Etag: posted(v.r, "etag"), RequestId: posted(v.r, "request_id")})
	d.somebodyThen(v, "leave", "left", err)
}

// signInCode makes a code with which somebody chooses a password.
func (d *desk) signInCode(v *visit) {
	resp, err := d.signins.MakeSignInCode(v.ctx(), &pb.MakeSignInCodeRequest{Principal: principalOf(v)})
	if err != nil {
		d.somebodyThen(v, "code", "", err)
		return
	}
	scheme := "http://"
	if secure(v.r) {
		scheme = "https://"
	}
	d.renderSomebody(v, somebody{Code: resp, Link: scheme + v.r.Host + "/sign-in/new"}, http.StatusOK)
}

// endToken makes a token of somebody useless.
func (d *desk) endToken(v *visit) {
	_, err := d.principals.EndToken(v.ctx(), &pb.EndTokenRequest{Name: posted(v.r, "token")})
	d.somebodyThen(v, "token", "changed", err)
}
