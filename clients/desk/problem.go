package desk

import (
	"net/http"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// flaw is one thing wrong with a form, as the services said it.
type flaw struct{ Field, Words string }

// flaws returns what is wrong field by field, and whether the error is of that
// sort.
func flaws(err error) ([]flaw, bool) {
	st, ok := status.FromError(err)
	if !ok || st.Code() != codes.InvalidArgument {
		return nil, false
	}
	var out []flaw
	for _, d := range st.Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range br.GetFieldViolations() {
				out = append(out, flaw{v.GetField(), v.GetDescription()})
			}
		}
	}
	if len(out) == 0 {
		out = []flaw{{"", st.Message()}}
	}
	return out, true
}

// problem shows a page that says what happened, what is safe and what to do.
func (d *desk) problem(w http.ResponseWriter, v *visit, err error) {
	st, _ := status.FromError(err)
	code, title, words := http.StatusInternalServerError, "Something went wrong here", "It is not your doing. Nothing that was acknowledged is lost. Try again; if it stays, tell whoever runs the service what you see below."
	switch st.Code() {
	case codes.NotFound:
		code, title, words = http.StatusNotFound, "That is not there", "Check the code or the address. A record is never deleted, so it may also be one that you may not see."
	case codes.PermissionDenied:
		code, title, words = http.StatusForbidden, "That is not open to you", "Your role does not reach it. Ask whoever looks after access if it should."
	case codes.Unauthenticated:
		code, title, words = http.StatusUnauthorized, "Sign in again", "Your access has ended. What you sent was not stored; go back, copy your words, sign in, and send again."
	case codes.InvalidArgument:
		code, title, words = http.StatusUnprocessableEntity, "Something needs mending", "Nothing was stored. Go back, mend it, and send again: your words are still in the form."
	case codes.Aborted:
		code, title, words = http.StatusConflict, "Somebody else changed it first", "Nothing was stored. Open the record again, look at what changed, and repeat your change."
	case codes.FailedPrecondition:
		code, title, words = http.StatusConflict, "That cannot be done now", "Nothing was stored."
	case codes.Unavailable, codes.DeadlineExceeded:
		code, title, words = http.StatusServiceUnavailable, "The service is busy", "Go back and send again. Sending twice does no harm: the same report is stored once."
	case codes.ResourceExhausted:
		code, title, words = http.StatusInsufficientStorage, "The service cannot take more just now", "Nothing was stored. Keep your words and tell whoever runs the service."
	}
	var list []flaw
	if f, ok := flaws(err); ok {
		list = f
	}
	message := ""
	if st.Code() != codes.OK && st.Code() != codes.Unknown {
		message = st.Message()
	}
	d.pages.render(w, code, "problem", view{Title: title, Visit: v, Data: map[string]any{"Words": words, "Message": message, "Flaws": list}})
}

// lost answers a path that does not exist.
func (d *desk) lost(v *visit) {
	d.problem(v.w, v, status.Error(codes.NotFound, "there is no page at this address"))
}
