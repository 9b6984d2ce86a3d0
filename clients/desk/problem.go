package desk

import (
	"net/http"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// trouble is what a page says about an error: what happened, what is safe, and
// what to do.
type trouble struct {
	code         int
	title, words string
}

var troubles = map[codes.Code]trouble{
	codes.NotFound:           {http.StatusNotFound, "That is not there", "Check the code or the address. A record is never deleted, so it may also be one that you may not see."},
	codes.PermissionDenied:   {http.StatusForbidden, "That is not open to you", "Your role does not reach it. Ask whoever looks after access if it should."},
	codes.Unauthenticated:    {http.StatusUnauthorized, "Sign in again", "Your access has ended. What you sent was not stored; go back, copy your words, sign in, and send again."},
	codes.InvalidArgument:    {http.StatusUnprocessableEntity, "Something needs mending", "Nothing was stored. Go back, mend it, and send again."},
	codes.Aborted:            {http.StatusConflict, "Somebody else changed it first", "Nothing was stored. Open the record again, look at what changed, and repeat your change."},
	codes.FailedPrecondition: {http.StatusConflict, "That cannot be done now", "Nothing was stored."},
	codes.Unavailable:        {http.StatusServiceUnavailable, "The service is busy", "Go back and send again. Sending twice does no harm: the same report is stored once."},
	codes.DeadlineExceeded:   {http.StatusServiceUnavailable, "The service is busy", "Go back and send again. Sending twice does no harm: the same report is stored once."},
	codes.ResourceExhausted:  {http.StatusInsufficientStorage, "The service cannot take more just now", "Nothing was stored. Keep your words and tell whoever runs the service."},
}

// unknownTrouble is said of whatever nobody foresaw.
var unknownTrouble = trouble{http.StatusInternalServerError, "Something went wrong here", "It is not your doing. Nothing that was acknowledged is lost. Try again; if it stays, tell whoever runs the service what you see below."}

// problem shows a page that says what happened, what is safe and what to do.
func (d *desk) problem(w http.ResponseWriter, v *visit, err error) {
	st, _ := status.FromError(err)
	t, ok := troubles[st.Code()]
	if reason(err) == "SLOW_DOWN" {
		t = trouble{http.StatusTooManyRequests, "That was a lot at once", "Nothing was stored. Wait a moment, go back and send again."}
	}
	if !ok {
		t = unknownTrouble
	}
	list, _ := flaws(err)
	if v != nil && v.r.Method == http.MethodGet && st.Code() == codes.InvalidArgument {
		// Nobody sent anything: the address itself is not one.
		t = trouble{http.StatusNotFound, "That is not there", "The address does not lead anywhere. Check it letter by letter, or look for what you want from the start."}
		list = nil
	}
	message := ""
	if len(list) == 0 && st.Code() != codes.OK && st.Code() != codes.Unknown && st.Code() != codes.InvalidArgument {
		message = st.Message()
	}
	d.pages.render(w, t.code, "problem", view{Title: t.title, Visit: v, Data: map[string]any{"Words": t.words, "Message": message, "Flaws": list, "SignIn": t.code == http.StatusUnauthorized}})
}

// lost answers a path that does not exist.
func (d *desk) lost(v *visit) {
	d.problem(v.w, v, status.Error(codes.NotFound, "there is no page at this address"))
}

// refuse answers somebody whose role does not reach a page.
func (d *desk) refuse(v *visit) {
	d.problem(v.w, v, status.Error(codes.PermissionDenied, "this page is for people with another role"))
}

// needs lets only those through to a page who may call a method; what a page
// offers, whoever opens it can do.
func (d *desk) needs(method string, page func(*visit)) func(*visit) {
	return func(v *visit) {
		if !v.may(method) {
			d.refuse(v)
			return
		}
		page(v)
	}
}
