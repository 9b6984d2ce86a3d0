package server

import (
	"bytes"
	"compress/gzip"
	"io"
	"log/slog"
	"net/http"
	"regexp"
	"strconv"

	"connectrpc.com/connect"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	"fairlead/services/fault"
)

// Reasons of errors that only this package makes.
const (
	reasonTooLong  = "TOO_LONG"
	reasonAddress  = "NO_SUCH_ADDRESS"
	reasonVerb     = "WRONG_HTTP_METHOD"
	reasonTimedOut = "TIMED_OUT"
	reasonGivenUp  = "GIVEN_UP"
)

// say makes a status with a reason.
func say(c codes.Code, reason, message string) error {
	st := status.New(c, message)
	with, err := st.WithDetails(&errdetails.ErrorInfo{Reason: reason, Domain: fault.Domain})
	if err != nil {
		return st.Err()
	}
	return with.Err()
}

// tooLong says that a message is longer than is read.
func tooLong() error {
	return say(codes.ResourceExhausted, reasonTooLong,
		"the message is longer than "+strconv.Itoa(maxMessage>>20)+" MB; send it in parts")
}

// plainErrors sees to it that every error of REST is told as the house tells
// errors: JSON with a reason, fields and cures. The transcoder answers some by
// itself before any method runs: no such address, a wrong verb, a query that
// does not fit.
func plainErrors(log *slog.Logger, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.ContentLength > maxMessage {
			drain(r)
			writeError(w, http.StatusRequestEntityTooLarge, tooLong())
			return
		}
		// The transcoder closes what it reads; what is left must be drained.
		r.Body = io.NopCloser(r.Body)
		held := &heldErrors{ResponseWriter: w}
		next.ServeHTTP(held, r)
		if held.code < 400 {
			return
		}
		if ours(held.body.Bytes()) {
			// The transcoder may have left the type of what it called.
			w.Header().Set("Content-Type", "application/json")
			w.WriteHeader(held.code)
			_, _ = w.Write(held.body.Bytes())
			return
		}
		code, err := told(held.code, w.Header(), held.body.String())
		st := status.Convert(err)
		drain(r)
		log.InfoContext(r.Context(), "refused at the web door", "status", code, "code", st.Code().String())
		writeError(w, code, err)
	})
}

// drain reads what is still being sent, within what apiOnly allows: a sender
// who is cut off while sending does not hear why.
func drain(r *http.Request) { _, _ = io.Copy(io.Discard, r.Body) }

// heldErrors passes good answers on and keeps errors back.
type heldErrors struct {
	http.ResponseWriter
	code int
	body bytes.Buffer
}

// WriteHeader implements http.ResponseWriter.
func (h *heldErrors) WriteHeader(code int) {
	if h.code != 0 {
		return
	}
	h.code = code
	if code < 400 {
		h.ResponseWriter.WriteHeader(code)
	}
}

// Write implements http.ResponseWriter.
func (h *heldErrors) Write(b []byte) (int, error) {
	h.WriteHeader(http.StatusOK)
	if h.code < 400 {
		return h.ResponseWriter.Write(b)
	}
	return h.body.Write(b)
}

// Flush implements http.Flusher.
func (h *heldErrors) Flush() {
	if f, ok := h.ResponseWriter.(http.Flusher); ok && h.code != 0 && h.code < 400 {
		f.Flush()
	}
}

// ours reports whether the body of an error is one that the house told.
func ours(body []byte) bool {
	st := &spb.Status{}
	if protojson.Unmarshal(body, st) != nil {
		return false
	}
	for _, d := range st.GetDetails() {
		info := &errdetails.ErrorInfo{}
		if d.UnmarshalTo(info) == nil && info.GetDomain() == fault.Domain {
			return true
		}
	}
	return false
}

// parameter is how the transcoder names a part of the query that does not fit.
var parameter = regexp.MustCompile(`parameter \\?"([a-zA-Z0-9_.]{1,64})\\?"|field path \\?"([a-zA-Z0-9_.]{1,64})\\?"`)

// told puts an error of the transcoder into words. The body is only looked at
// for the name of a field: it may quote what was sent.
func told(code int, h http.Header, body string) (int, error) {
	switch code {
	case http.StatusNotFound:
		return code, say(codes.NotFound, reasonAddress, "there is no such address; the contract (proto/fairlead/v1) lists them, such as GET /v1/workplaces")
	case http.StatusMethodNotAllowed:
		return code, say(codes.Unimplemented, reasonVerb, "this address is for "+h.Get("Allow"))
	case http.StatusUnsupportedMediaType:
		return code, fault.Invalid(fault.Violation{Field: "content-type", Description: "send the body as JSON, plain or by gzip, with the header `Content-Type: application/json`"})
	case http.StatusRequestEntityTooLarge, http.StatusTooManyRequests:
		return http.StatusRequestEntityTooLarge, tooLong()
	case http.StatusServiceUnavailable:
		return code, fault.Busy(tryAgain)
	case http.StatusGatewayTimeout:
		return code, say(codes.DeadlineExceeded, reasonTimedOut, lateWords)
	}
	v := fault.Violation{Description: "the request cannot be read: in the address each part must fit its field, a GET has no body, and a body is whole"}
	if m := parameter.FindStringSubmatch(body); m != nil {
		v = fault.Violation{Field: m[1] + m[2], Description: "in the address does not fit: look at its name and the form of its value in the contract"}
	}
	return http.StatusBadRequest, fault.Invalid(v)
}

// writeError writes an error as REST has it.
func writeError(w http.ResponseWriter, code int, err error) {
	body, marshalErr := protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(status.Convert(err).Proto())
	if marshalErr != nil {
		body = []byte(`{"code":3,"message":"the request cannot be read"}`)
	}
	h := w.Header()
	for _, stale := range []string{"Content-Length", "Content-Encoding", "Accept-Encoding"} {
		h.Del(stale)
	}
	h.Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_, _ = w.Write(body)
}

// boundedGzip unpacks no more than a message may hold, whatever it is told to.
type boundedGzip struct {
	gzip.Reader
	left int64
}

func newBoundedGzip() connect.Decompressor { return &boundedGzip{} }

// Reset implements connect.Decompressor.
func (z *boundedGzip) Reset(r io.Reader) error {
	z.left = maxMessage
	return z.Reader.Reset(r)
}

// Read implements io.Reader.
func (z *boundedGzip) Read(p []byte) (int, error) {
	if int64(len(p)) > z.left+1 {
		p = p[:z.left+1]
	}
	n, err := z.Reader.Read(p)
	if z.left -= int64(n); z.left < 0 {
		return 0, asConnect(tooLong())
	}
	return n, err
}
