package desk

import (
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
)

// forgetFields is how the page shows the fields of the form that destroys the
// closed names of one person.
var forgetFields = map[string]shown{"person": {"The person’s id", "forget-person"}, "written_as": {"How they may have written their name", "forget-written"},
	"reason": {"Why", "forget-reason"}, "passphrase": {"Your passphrase", "forget-passphrase"}, "seen": {"It cannot be undone", "forget-seen"}}

// personID is how the id of a person looks.
var personID = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`)

// forgetPerson destroys, of the names that whoever is signed in can open, those of
// one person. The address of the answer holds counts only: neither the person nor
// a name goes into an address, and the passphrase into no page.
func (d *desk) forgetPerson(v *visit) {
	again := retry{Form: "forget", Values: url.Values{}}
	for _, field := range []string{"person", "written_as", "reason", "seen"} {
		again.Values.Set(field, posted(v.r, field))
	}
	id := strings.TrimPrefix(posted(v.r, "person"), "people/")
	if !personID.MatchString(id) {
		again.Flaws = append(again.Flaws, bad("person", "type the id that stands in the list of people, such as p-0190a1: small letters, digits and hyphens"))
	}
	if posted(v.r, "reason") == "" {
		again.Flaws = append(again.Flaws, bad("reason", "is needed: who asked, or which rule? Do not say who the person is"))
	}
	if v.r.PostFormValue("forget_passphrase") == "" {
		again.Flaws = append(again.Flaws, bad("passphrase", "is needed: the names open with it for a moment, to find those of the person"))
	}
	if posted(v.r, "seen") == "" {
		again.Flaws = append(again.Flaws, bad("seen", "tick that you know it: nobody can bring a name back"))
	}
	if len(again.Flaws) > 0 {
		d.renderKeepers(v, again, http.StatusUnprocessableEntity)
		return
	}
	req := &pb.EraseClosedNamesRequest{Person: "people/" + id, Reason: posted(v.r, "reason"), Passphrase: v.r.PostFormValue("forget_passphrase")}
	for line := range strings.Lines(posted(v.r, "written_as")) {
		if line = strings.TrimSpace(line); line != "" {
			req.WrittenAs = append(req.WrittenAs, line)
		}
	}
	out, err := d.keepers.EraseClosedNames(v.ctx(), req)
	if list, isBad := flaws(err); isBad {
		again.Flaws = list
		d.renderKeepers(v, again, http.StatusUnprocessableEntity)
		return
	}
	switch status.Code(err) {
	case codes.OK:
		http.Redirect(v.w, v.r, fmt.Sprintf("/keepers?done=forgotten&names=%d&held=%d&beyond=%d", out.GetErased(), out.GetHeld(), out.GetBeyond()), http.StatusSeeOther)
	case codes.FailedPrecondition, codes.PermissionDenied, codes.ResourceExhausted:
		again.Flaws = []flaw{bad("", sentence(status.Convert(err).Message()))}
		d.renderKeepers(v, again, http.StatusConflict)
	default:
		d.problem(v.w, v, err)
	}
}

// destroyedWords says how many names went and how many stay, as the address counts
// them; "" when it does not.
func destroyedWords(q url.Values) string {
	n := map[string]int{}
	for _, of := range []string{"names", "held", "beyond"} {
		count, err := strconv.Atoi(q.Get(of))
		if err != nil || count < 0 {
			return ""
		}
		n[of] = count
	}
	out := "No name was destroyed: none that you can open is of that person."
	switch names, held := n["names"], n["held"]; {
	case names > 0:
		out = howMany(names) + " destroyed, for good."
	case held > 0:
		out = "No name was destroyed."
	}
	if held := n["held"]; held > 0 {
		out += " Kept, because a legal hold is on the report: " + strconv.Itoa(held) + "."
	}
	if beyond := n["beyond"]; beyond > 0 {
		out += " Not yours to open, whoever they are of: " + strconv.Itoa(beyond) + ". Ask the other keepers to look there."
	}
	return out
}
