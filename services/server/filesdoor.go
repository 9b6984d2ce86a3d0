package server

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"mime"
	"mime/multipart"
	"net/http"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	"fairlead/clients/api"
	"fairlead/clients/fileweb"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
)

// Bounds of a file by plain HTTP.
const (
	// mostFile is what is read of a body: the service says in words when a
	// file is too long, before this cuts it off.
	mostFile = 27 << 20
	// fileTime is how long a body may take.
	fileTime = 15 * time.Minute
)

// filesDoor takes and gives the bytes of attachments by plain HTTP, in front of
// what else the web door does. It calls the service over the in-process
// connection with the token of the caller, past the gate like anyone.
func filesDoor(log *slog.Logger, conn grpc.ClientConnInterface, next http.Handler) http.Handler {
	d := &fileDoor{log: log, client: pb.NewAttachmentServiceClient(conn), next: next}
	mux := http.NewServeMux()
	mux.Handle("/", next)
	mux.Handle("POST /v1/reports/{report}/attachments", secured(http.HandlerFunc(d.take)))
	mux.HandleFunc("GET /v1/reports/{report}/attachments/{attachment}", d.give)
	// The mux tidies paths before anything else sees them; only ours should be.
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !strings.HasPrefix(r.URL.Path, "/v1/reports/") {
			next.ServeHTTP(w, r)
			return
		}
		mux.ServeHTTP(w, r)
	})
}

type fileDoor struct {
	log    *slog.Logger
	client pb.AttachmentServiceClient
	next   http.Handler
}

// calling returns a context that calls as the caller of HTTP.
func calling(r *http.Request) context.Context {
	ctx := metadata.AppendToOutgoingContext(r.Context(), callerHeader, remoteOf(r))
	for _, v := range r.Header.Values("Authorization") {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", v)
	}
	return ctx
}

// give sends the bytes of an attachment.
func (d *fileDoor) give(w http.ResponseWriter, r *http.Request) {
	id, reads := strings.CutSuffix(r.PathValue("attachment"), ":read")
	if !reads {
		d.next.ServeHTTP(w, r)
		return
	}
	secured(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		variant, ok := fileweb.Variant(r.URL.Query().Get("variant"))
		if !ok {
			d.fail(w, r, fault.Invalid(fault.Violation{Field: "variant", Description: "must be original, display or small"}))
			return
		}
		name := "reports/" + r.PathValue("report") + "/attachments/" + id
		f, err := api.OpenFile(calling(r), d.client, name, variant)
		if err != nil {
			d.fail(w, r, err)
			return
		}
		defer f.Close()
		if err := fileweb.Send(w, r, name, f, variant == pb.AttachmentVariant_ATTACHMENT_VARIANT_ORIGINAL); err != nil {
			// The answer has begun: a length that is not reached tells the
			// caller.
			d.log.InfoContext(r.Context(), "an attachment was not sent whole", "code", status.Code(err).String())
			panic(http.ErrAbortHandler)
		}
	})).ServeHTTP(w, r)
}

// take adds an attachment: the body is the file, or a form with the file.
func (d *fileDoor) take(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	r.Body = http.MaxBytesReader(w, r.Body, mostFile)
	_ = http.NewResponseController(w).SetReadDeadline(time.Now().Add(fileTime)) // not every connection has one
	h := &pb.AttachmentHeader{Report: "reports/" + r.PathValue("report")}
	resp, err := d.body(r, h)
	var long *http.MaxBytesError
	if errors.As(err, &long) {
		err = fault.Invalid(fault.Violation{Field: "file", Description: "is longer than 25 MB; send a smaller picture, or a shorter recording"})
	}
	if err != nil {
		// A sender who is cut off while sending does not hear why.
		drain(r)
		d.fail(w, r, err)
		return
	}
	out, err := protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(resp)
	if err != nil {
		d.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(out)
}

func (d *fileDoor) body(r *http.Request, h *pb.AttachmentHeader) (*pb.AddAttachmentResponse, error) {
	kind, params, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/form-data" {
		q := r.URL.Query()
		for name := range q {
			if name == "caption" {
				return nil, fault.Invalid(fault.Violation{Field: "caption", Description: "does not belong into an address, which others may read; send the file as a form, with the caption before it"})
			}
			if err := field(h, name, q.Get(name)); err != nil {
				return nil, err
			}
		}
		return api.SendFile(calling(r), d.client, h, r.Body)
	}
	form := multipart.NewReader(r.Body, params["boundary"])
	for range 16 {
		part, err := form.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, unreadableForm(err)
		}
		if part.FormName() == "file" {
			return api.SendFile(calling(r), d.client, h, part)
		}
		text, err := io.ReadAll(io.LimitReader(part, 4<<10))
		if err != nil {
			return nil, unreadableForm(err)
		}
		if err := field(h, part.FormName(), string(text)); err != nil {
			return nil, err
		}
	}
	return nil, fault.Invalid(fault.Violation{Field: "file", Description: "is needed: the form has no file in a field named file, after the other fields"})
}

func unreadableForm(err error) error {
	var long *http.MaxBytesError
	if errors.As(err, &long) {
		return err
	}
	return fault.Invalid(fault.Violation{Field: "file", Description: "cannot be read: the form is broken or was cut short; send it again"})
}

// field sets a field of the header by its name. A caption does not go into an
// address, which others may read.
func field(h *pb.AttachmentHeader, name, value string) error {
	switch name {
	case "caption":
		h.Caption = value
	case "attachment_id", "attachmentId":
		h.AttachmentId = value
	case "request_id", "requestId":
		h.RequestId = value
	case "keep_location", "keepLocation":
		keep, err := strconv.ParseBool(value)
		if err != nil {
			return fault.Invalid(fault.Violation{Field: "keep_location", Description: "must be true or false"})
		}
		h.KeepLocation = keep
	default:
		return fault.Invalid(fault.Violation{Description: "a field is not known here; the fields are caption, attachment_id, request_id, keep_location and file"})
	}
	return nil
}

// fail answers with an error as REST has it.
func (d *fileDoor) fail(w http.ResponseWriter, r *http.Request, err error) {
	st, ok := api.StatusOf(err)
	if !ok {
		// The sender broke off, or the form did.
		st = status.Convert(unreadableForm(err))
	}
	code := http.StatusInternalServerError
	switch st.Code() {
	case codes.InvalidArgument, codes.FailedPrecondition:
		code = http.StatusBadRequest
	case codes.Unauthenticated:
		code = http.StatusUnauthorized
	case codes.PermissionDenied:
		code = http.StatusForbidden
	case codes.NotFound:
		code = http.StatusNotFound
	case codes.Aborted, codes.AlreadyExists:
		code = http.StatusConflict
	case codes.ResourceExhausted:
		code = http.StatusTooManyRequests
	case codes.Unavailable:
		code = http.StatusServiceUnavailable
	case codes.DeadlineExceeded:
		code = http.StatusGatewayTimeout
	}
	d.log.DebugContext(r.Context(), "refused at the web door", "status", code, "code", st.Code().String())
	w.Header().Set("Cache-Control", "no-store")
	writeError(w, code, st.Err())
}
