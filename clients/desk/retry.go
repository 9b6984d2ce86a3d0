package desk

import (
	"net/url"

	pb "fairlead/proto/gen/fairlead/v1"
)

// retry is a form of a page that has to be sent again, with what was typed and
// what was wrong with it. A page has several forms; only the one that was sent
// is open and filled.
type retry struct {
	// Form is the form's word, with the harm it is about: "outcome h1".
	Form string
	// Values are what was sent.
	Values url.Values
	// Flaws are what was wrong.
	Flaws []flaw
	// Opened is who told, shown once; nil when nobody asked.
	Opened *pb.Teller
}

// Is reports whether this is the form that has to be sent again.
func (t retry) Is(form string) bool { return t.Form == form }

// Get returns what was typed into a field of a form, or what stands there
// otherwise.
func (t retry) Get(form, field, otherwise string) string {
	if t.Form != form {
		return otherwise
	}
	return t.Values.Get(field)
}

// Bad returns what was wrong with a field of a form.
func (t retry) Bad(form string, fields ...string) string {
	if t.Form != form {
		return ""
	}
	return flawed(t.Flaws, fields...)
}
