package fault

import (
	"errors"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	"fairlead/services/ledger"
)

// Domain is the ErrorInfo domain of every error of the house.
const Domain = "fairlead"

// Reasons in ErrorInfo. They are part of the contract.
const (
	ReasonInvalid         = "INVALID_FIELDS"
	ReasonRequestIDReused = "REQUEST_ID_REUSED"
	ReasonStale           = "STALE_ETAG"
	ReasonExists          = "ALREADY_EXISTS"
	ReasonNotFound        = "NOT_FOUND"
	ReasonState           = "WRONG_STATE"
	ReasonDenied          = "NOT_ALLOWED"
	ReasonUnauthenticated = "SIGN_IN_NEEDED"
	ReasonBusy            = "BUSY"
	ReasonFull            = "STORE_FULL"
	ReasonBehind          = "NOT_CAUGHT_UP"
	ReasonSlowed          = "SLOW_DOWN"
	ReasonInternal        = "INTERNAL"
)

// Violation is one thing wrong with a request.
type Violation struct {
	// Field is the proto path that the client sent, such as
	// report.harms[0].absences[1].first_date.
	Field string
	// Description says what is wrong and what to do about it.
	Description string
}

// Violations collects what is wrong, so that all of it is said at once. The
// zero value is ready for use.
type Violations []Violation

// Add appends a violation.
func (v *Violations) Add(field, description string) {
	*v = append(*v, Violation{Field: field, Description: description})
}

// Err returns nil when there is nothing wrong, else INVALID_ARGUMENT.
func (v Violations) Err() error {
	if len(v) == 0 {
		return nil
	}
	return Invalid(v...)
}

// Invalid returns INVALID_ARGUMENT with one violation per field.
func Invalid(vs ...Violation) error {
	br := &errdetails.BadRequest{}
	message := "some fields need mending"
	for _, v := range vs {
		br.FieldViolations = append(br.FieldViolations,
			&errdetails.BadRequest_FieldViolation{Field: v.Field, Description: v.Description})
	}
	if len(vs) == 1 {
		message = vs[0].Field + ": " + vs[0].Description
		if vs[0].Field == "" {
			message = vs[0].Description
		}
	}
	return build(codes.InvalidArgument, message, ReasonInvalid, nil, br)
}

// NotFound returns NOT_FOUND for a resource.
func NotFound(resource string) error {
	return build(codes.NotFound, resource+" is not there; check the name", ReasonNotFound,
		map[string]string{"resource": resource}, &errdetails.ResourceInfo{ResourceName: resource})
}

// Exists returns ALREADY_EXISTS for a resource.
func Exists(resource string) error {
	return build(codes.AlreadyExists, resource+" is there already, with other contents; use another name", ReasonExists,
		map[string]string{"resource": resource}, &errdetails.ResourceInfo{ResourceName: resource})
}

// Stale returns ABORTED with the etag that is current.
func Stale(resource, currentEtag string) error {
	return build(codes.Aborted,
		resource+" has changed since you read it; read it again and repeat your change", ReasonStale,
		map[string]string{"resource": resource, "etag": currentEtag})
}

// RequestIDReused returns INVALID_ARGUMENT for a request id that was used for
// another request.
func RequestIDReused() error {
	return build(codes.InvalidArgument,
		"request_id: was used before for another request; mint a new one", ReasonRequestIDReused, nil,
		&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{{
			Field: "request_id", Description: "was used before for another request; mint a new one"}}})
}

// State returns FAILED_PRECONDITION.
func State(subject, description string) error {
	return build(codes.FailedPrecondition, description, ReasonState, nil,
		&errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{{
			Type: "STATE", Subject: subject, Description: description}}})
}

// Denied returns PERMISSION_DENIED. It is decided before existence is looked
// at, and never says whether the resource exists.
func Denied(description string) error {
	return build(codes.PermissionDenied, description, ReasonDenied, nil)
}

// Unauthenticated returns UNAUTHENTICATED.
func Unauthenticated(description string) error {
	return build(codes.Unauthenticated, description, ReasonUnauthenticated, nil)
}

// Busy returns UNAVAILABLE with a time to wait. It is the only code on which a
// client tries again by itself.
func Busy(wait time.Duration) error {
	return build(codes.Unavailable, "busy; try again shortly with the same ids", ReasonBusy, nil,
		&errdetails.RetryInfo{RetryDelay: durationpb.New(wait)})
}

// Away returns UNAVAILABLE for a database that does not answer. Nothing was
// written.
func Away(wait time.Duration) error {
	return build(codes.Unavailable, "the database does not answer; nothing was written; try again shortly with the same ids", ReasonBusy, nil,
		&errdetails.RetryInfo{RetryDelay: durationpb.New(wait)})
}

// Unknown returns UNAVAILABLE for a write whose fate is not known. Sent again
// with the same ids it is done once.
func Unknown(wait time.Duration) error {
	return build(codes.Unavailable, "the database went away while it stored this, and it is not known whether it did; send it again with the same ids: it is then stored once", ReasonBusy, nil,
		&errdetails.RetryInfo{RetryDelay: durationpb.New(wait)})
}

// Behind returns UNAVAILABLE for a read that asked for a sequence number which
// is not in force yet.
func Behind(wait time.Duration) error {
	return build(codes.Unavailable,
		"min_sequence_number: has not been reached yet; try again shortly", ReasonBehind, nil,
		&errdetails.RetryInfo{RetryDelay: durationpb.New(wait)})
}

// Full returns RESOURCE_EXHAUSTED for a store that cannot take more.
func Full() error {
	return build(codes.ResourceExhausted,
		"the disk is full: nothing was stored; keep the report and tell whoever runs the service", ReasonFull, nil)
}

// Slowed returns RESOURCE_EXHAUSTED for somebody who guesses, or asks more often
// than is good for the others, with the time to wait. No client tries again by
// itself.
func Slowed(wait time.Duration) error {
	wait = max(wait.Round(time.Second), time.Second)
	return build(codes.ResourceExhausted, "too many tries in a short time; wait "+wait.String()+" and try again", ReasonSlowed, nil,
		&errdetails.RetryInfo{RetryDelay: durationpb.New(wait)})
}

// NoAnswer returns UNAVAILABLE for somebody outside who does not answer.
func NoAnswer(who string, wait time.Duration) error {
	return build(codes.Unavailable, who+" does not answer; try again shortly, or another way", ReasonBusy, nil,
		&errdetails.RetryInfo{RetryDelay: durationpb.New(wait)})
}

// Taken returns ALREADY_EXISTS for something that is somebody's, without saying
// whose.
func Taken(description string) error {
	return build(codes.AlreadyExists, description, ReasonExists, nil)
}

// Internal returns INTERNAL with the id under which the cause was logged.
func Internal(logID string) error {
	return build(codes.Internal, "internal error "+logID+"; nothing that was acknowledged is lost", ReasonInternal,
		map[string]string{"log_id": logID})
}

// FromLedger turns an error of the ledger into a status; others are returned
// as they are, for the interceptor to log and hide. etag makes the etag of a
// revision.
func FromLedger(err error, etag func(revision int64) string) error {
	var exists *ledger.ExistsError
	var stale *ledger.StaleError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &exists):
		return Exists(exists.Name)
	case errors.As(err, &stale):
		return Stale(stale.Name, etag(stale.Current))
	case errors.Is(err, ledger.ErrRequestReused):
		return RequestIDReused()
	case errors.Is(err, ledger.ErrBusy), errors.Is(err, ledger.ErrClosed):
		return Busy(250 * time.Millisecond)
	case errors.Is(err, ledger.ErrAway):
		return Away(time.Second)
	case errors.Is(err, ledger.ErrUnknown):
		return Unknown(time.Second)
	case errors.Is(err, ledger.ErrFull):
		return Full()
	}
	return err
}

// build attaches ErrorInfo and details to a status.
func build(c codes.Code, message, reason string, meta map[string]string, details ...protoadapt.MessageV1) error {
	st := status.New(c, message)
	all := append([]protoadapt.MessageV1{&errdetails.ErrorInfo{Reason: reason, Domain: Domain, Metadata: meta}}, details...)
	with, err := st.WithDetails(all...)
	if err != nil {
		// Only a message that cannot be marshalled gets here: say the
		// plain thing rather than nothing.
		return st.Err()
	}
	return with.Err()
}

// IsStatus reports whether err is (or wraps) a status made for the outside.
func IsStatus(err error) bool {
	_, ok := status.FromError(err)
	return ok
}
