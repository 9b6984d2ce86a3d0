package desk

import (
	"net/http"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
)

// passphraseFields is how the page shows the fields of its form.
var passphraseFields = map[string]shown{"old_passphrase": {"Your passphrase until now", "old"},
	"new_passphrase": {"New passphrase", "new"}, "again": {"The new passphrase again", "again"}}

// passphrasePage is the page on which a keeper changes their passphrase.
func (d *desk) passphrasePage(v *visit) { d.renderPassphrase(v, retry{}, http.StatusOK) }

func (d *desk) renderPassphrase(v *visit, t retry, code int) {
	t.Form, t.Flaws = "change", located(t.Flaws, passphraseFields)
	d.pages.render(v.w, code, "passphrase", view{Title: "Change your passphrase", Here: "setup", Visit: v, Data: map[string]any{"Retry": t}})
}

// changePassphrase changes the passphrase of whoever is signed in. Neither is
// written into a page or an address.
func (d *desk) changePassphrase(v *visit) {
	if v.r.PostFormValue("new") != v.r.PostFormValue("again") {
		d.renderPassphrase(v, retry{Flaws: []flaw{bad("again", "is not the same as the new one; type both again")}}, http.StatusUnprocessableEntity)
		return
	}
	_, err := d.keepers.ChangePassphrase(v.ctx(), &pb.ChangePassphraseRequest{OldPassphrase: v.r.PostFormValue("old"), NewPassphrase: v.r.PostFormValue("new")})
	if list, isBad := flaws(err); isBad {
		d.renderPassphrase(v, retry{Flaws: list}, http.StatusUnprocessableEntity)
		return
	}
	switch status.Code(err) {
	case codes.OK:
		http.Redirect(v.w, v.r, "/keepers?done=changed", http.StatusSeeOther)
	case codes.FailedPrecondition, codes.PermissionDenied, codes.Aborted, codes.ResourceExhausted:
		d.renderPassphrase(v, retry{Flaws: []flaw{bad("", sentence(status.Convert(err).Message()))}}, http.StatusConflict)
	default:
		d.problem(v.w, v, err)
	}
}
