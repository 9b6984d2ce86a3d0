package desk

import (
	"net/http"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
)

// me is "how I sign in": password, passkeys, account, PIN, open sessions.
func (d *desk) me(v *visit) {
	d.renderMe(v, http.StatusOK, meDone[v.r.URL.Query().Get("done")], nil)
}

// meDone are the sentences after something was done.
var meDone = map[string]string{
	"password": "Your password is changed. Wherever else you were signed in, you are not any more.",
	"passkey":  "The passkey is added. The next time you can sign in with it alone.",
	"gone":     "It is removed, and nobody signs in with it any more.",
	"pin":      "Your PIN for tablets is set.",
	"nopin":    "Your PIN for tablets is taken away.",
	"session":  "That session is ended.",
	"linked":   "The account is linked. The next time you can sign in with it.",
}

func (d *desk) renderMe(v *visit, code int, done string, wrong []flaw) {
	ctx, who := v.ctx(), v.who.GetName()
	ways, err := d.signins.GetSignInWays(ctx, &pb.GetSignInWaysRequest{})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	have, err := d.signins.ListCredentials(ctx, &pb.ListCredentialsRequest{Principal: who})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	open, err := d.principals.ListSessions(ctx, &pb.ListSessionsRequest{Principal: who})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	password, helped := false, ""
	var others []*pb.Credential
	for _, c := range have.GetCredentials() {
		if c.GetKind() == pb.CredentialKind_CREDENTIAL_KIND_PASSWORD {
			password, helped = true, c.GetHelpedBy()
			continue
		}
		others = append(others, c)
	}
	d.pages.render(v.w, code, "me", view{Title: "How I sign in", Here: "me", Visit: v, Done: done, Data: map[string]any{
		"Ways": ways, "Password": password, "HelpedBy": helped, "Others": others, "Sessions": open.GetSessions(), "Flaws": located(wrong, meFields),
		"ByToken": !strings.HasPrefix(v.token, sessionPrefix)}})
}

var meFields = map[string]shown{
	"current_password": {"Password until now", "current"}, "new_password": {"New password", "new"}, "again": {"New password again", "again"},
	"pin": {"PIN", "pin"}, "sign_in_name": {"Your name to sign in with", "name"}, "title": {"What to call it", "title"},
}

// meAfter shows the page again after something was done, or says what is wrong.
func (d *desk) meAfter(v *visit, done string, err error) {
	if f, bad := flaws(err); bad {
		d.renderMe(v, http.StatusUnprocessableEntity, "", f)
		return
	}
	switch status.Code(err) {
	case codes.OK:
		http.Redirect(v.w, v.r, "/me?done="+done, http.StatusSeeOther)
	case codes.ResourceExhausted:
		d.renderMe(v, http.StatusTooManyRequests, "", []flaw{bad("", status.Convert(err).Message())})
	case codes.Unauthenticated, codes.FailedPrecondition, codes.AlreadyExists, codes.NotFound, codes.PermissionDenied:
		d.renderMe(v, http.StatusConflict, "", []flaw{bad("", status.Convert(err).Message())})
	default:
		d.problem(v.w, v, err)
	}
}

// changePassword sets another password. Every session ends but the one that the
// browser is given for it.
func (d *desk) changePassword(v *visit) {
	if v.r.PostFormValue("new") != v.r.PostFormValue("again") {
		d.renderMe(v, http.StatusUnprocessableEntity, "", []flaw{bad("again", "is not the same as the new password; type both again")})
		return
	}
	in, err := d.signins.SetPassword(v.r.Context(), &pb.SetPasswordRequest{SignInName: v.r.PostFormValue("name"),
		Proof: &pb.SetPasswordRequest_CurrentPassword{CurrentPassword: v.r.PostFormValue("current")}, NewPassword: v.r.PostFormValue("new")})
	if err == nil {
		// Whoever's password it was: it is that principal who is signed in now.
		d.endHeld(v.r)
		d.sessions.fresh(in.GetSecret())
		give(v.w, v.r, in.GetSecret())
	}
	d.meAfter(v, "password", err)
}

// newPasskey gives the script of the page what a browser needs.
func (d *desk) newPasskey(v *visit) {
	c, err := d.signins.BeginAddPasskey(v.ctx(), &pb.BeginAddPasskeyRequest{})
	writeChallenge(v.w, c, err)
}

func (d *desk) addPasskey(v *visit) {
	_, err := d.signins.FinishAddPasskey(v.ctx(), &pb.FinishAddPasskeyRequest{Ticket: v.r.PostFormValue("ticket"),
		AnswerJson: v.r.PostFormValue("answer"), Title: strings.TrimSpace(v.r.PostFormValue("title"))})
	d.meAfter(v, "passkey", err)
}

func (d *desk) endWay(v *visit) {
	_, err := d.signins.EndCredential(v.ctx(), &pb.EndCredentialRequest{Name: v.r.PostFormValue("credential")})
	d.meAfter(v, "gone", err)
}

func (d *desk) setPin(v *visit) {
	done := "pin"
	if v.r.PostFormValue("pin") == "" {
		done = "nopin"
	}
	_, err := d.principals.SetPin(v.ctx(), &pb.SetPinRequest{Name: v.who.GetName(), Pin: v.r.PostFormValue("pin")})
	d.meAfter(v, done, err)
}

func (d *desk) endSession(v *visit) {
	_, err := d.principals.EndSession(v.ctx(), &pb.EndSessionRequest{Name: v.r.PostFormValue("session")})
	d.meAfter(v, "session", err)
}

// linkAccount begins to link an account at the provider.
func (d *desk) linkAccount(v *visit) {
	c, err := d.signins.BeginOpenIDLink(v.ctx(), &pb.BeginOpenIDLinkRequest{})
	if err != nil {
		d.meAfter(v, "", err)
		return
	}
	d.toProvider(v.w, v.r, v, c, linkMark)
}

// finishLink links it, asked by a form of our own.
func (d *desk) finishLink(v *visit) {
	_, err := d.signins.FinishOpenIDLink(v.ctx(), &pb.FinishOpenIDLinkRequest{Ticket: v.r.PostFormValue("ticket"),
		State: v.r.PostFormValue("state"), Code: v.r.PostFormValue("code")})
	d.meAfter(v, "linked", err)
}
