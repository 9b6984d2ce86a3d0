package api

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Violation is one field that must be mended.
type Violation struct {
	// Field is the path of the field in the request, such as
	// report.harms[0].description.
	Field string
	// Cure says what is wrong and what to do.
	Cure string
}

// Problem is a refusal of the service in plain parts.
type Problem struct {
	// Code is the gRPC code.
	Code codes.Code
	// Reason is the stable reason of the service, such as STALE_ETAG; empty
	// when the answer did not come from the service itself.
	Reason string
	// Message is what the service said.
	Message string
	// Violations are the fields to mend.
	Violations []Violation
	// Resource is what it was about, where the service names it.
	Resource string
	// Etag is the version now in force, for a change that came too late.
	Etag string
	// LogID is where the operator finds the cause of an internal error.
	LogID string
	// RetryAfter is how long the service asked to wait.
	RetryAfter time.Duration
}

// StatusOf returns the status of an error that a call returned, as the service
// sent it, however often the error was wrapped since.
func StatusOf(err error) (*status.Status, bool) {
	var s interface{ GRPCStatus() *status.Status }
	if !errors.As(err, &s) || s.GRPCStatus() == nil {
		return nil, false
	}
	return s.GRPCStatus(), true
}

// ProblemOf returns the parts of an error that a call returned; ok is false
// when it is not one.
func ProblemOf(err error) (p Problem, ok bool) {
	st, ok := StatusOf(err)
	if !ok {
		return Problem{}, false
	}
	p = Problem{Code: st.Code(), Message: plain(st)}
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			p.Reason = d.GetReason()
			p.Etag = d.GetMetadata()["etag"]
			p.LogID = d.GetMetadata()["log_id"]
			if r := d.GetMetadata()["resource"]; r != "" {
				p.Resource = r
			}
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				p.Violations = append(p.Violations, Violation{Field: v.GetField(), Cure: v.GetDescription()})
			}
		case *errdetails.PreconditionFailure:
			for _, v := range d.GetViolations() {
				p.Violations = append(p.Violations, Violation{Field: v.GetSubject(), Cure: v.GetDescription()})
			}
		case *errdetails.ResourceInfo:
			p.Resource = d.GetResourceName()
		case *errdetails.RetryInfo:
			p.RetryAfter = d.GetRetryDelay().AsDuration()
		}
	}
	return p, true
}

// overLong is how gRPC itself refuses a message, before the service sees it.
var overLong = regexp.MustCompile(`message larger than max \((\d+) vs\. (\d+)\)`)

// plain returns the message of a status, and in plain words what gRPC says by
// itself of a message that is too long: the service cannot (see its MaxRecvMsgSize).
func plain(st *status.Status) string {
	m := overLong.FindStringSubmatch(st.Message())
	if st.Code() != codes.ResourceExhausted || m == nil {
		return st.Message()
	}
	long, err := strconv.ParseFloat(m[1], 64)
	most, err2 := strconv.ParseFloat(m[2], 64)
	if err != nil || err2 != nil {
		return st.Message()
	}
	return fmt.Sprintf("the message is %.1f MB long, and no more than %.1f MB are read; send it, or ask for it, in parts", long/(1<<20), most/(1<<20))
}

// Lines returns the problem as lines to print: one for each field to mend, or
// the message when no field is named.
func (p Problem) Lines() []string {
	if len(p.Violations) == 0 {
		return []string{p.Message}
	}
	out := make([]string, len(p.Violations))
	for i, v := range p.Violations {
		out[i] = v.Cure
		if v.Field != "" {
			out[i] = v.Field + ": " + v.Cure
		}
	}
	return out
}
