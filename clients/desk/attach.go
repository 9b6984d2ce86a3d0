package desk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"net/url"
	"strings"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"fairlead/analytics/figure"
	"fairlead/clients/api"
	"fairlead/clients/fileweb"
	pb "fairlead/proto/gen/fairlead/v1"
)

// Bounds of forms with files.
const (
	// mostFiles is how many photos and sounds the report form takes at once.
	mostFiles = 5
	// maxFiles bounds a form with that many of 25 MB.
	maxFiles = mostFiles*(26<<20) + maxForm
)

// withFiles are the forms that bring files.
func withFiles(r *http.Request) bool {
	return r.Method == http.MethodPost && (r.URL.Path == "/report" || strings.HasSuffix(r.URL.Path, "/attachments"))
}

// fieldsFirst reads the fields of a form up to its first file, so that files
// need never be held: they run through when it is known where they belong. It
// leaves the fields where PostFormValue finds them, and returns the file and
// how to get at those that follow; nil when there is none.
func fieldsFirst(r *http.Request) (*multipart.Part, *multipart.Reader, error) {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/form-data" {
		return nil, nil, r.ParseForm()
	}
	form, err := r.MultipartReader()
	if err != nil {
		return nil, nil, err
	}
	r.PostForm = url.Values{}
	r.Form = r.PostForm
	left := int64(maxForm)
	for range 200 {
		part, err := form.NextPart()
		if errors.Is(err, io.EOF) {
			return nil, form, nil
		}
		if err != nil {
			return nil, nil, err
		}
		if part.FileName() != "" {
			return part, form, nil
		}
		text, err := io.ReadAll(io.LimitReader(part, left+1))
		if err != nil {
			return nil, nil, err
		}
		if left -= int64(len(text)); left < 0 {
			break
		}
		// A file field in which nothing was chosen has no name and no bytes.
		if part.FormName() != "file" {
			r.PostForm.Add(part.FormName(), string(text))
		}
	}
	return nil, nil, errors.New("desk: the form is too long")
}

// swallow reads what is still being sent: a browser that is cut off while
// sending does not show why.
func swallow(r *http.Request) { _, _ = io.Copy(io.Discard, r.Body) }

// notTaken is a file of the report form that was not stored.
type notTaken struct {
	Number int
	Words  string
}

// attachAll adds the files of the report form to the report that it has just
// filed. The same form sent again adds nothing twice. The report is safe
// whatever becomes of them.
func (d *desk) attachAll(ctx context.Context, report *pb.Report, caption string, part *multipart.Part, form *multipart.Reader) (stored int, not []notTaken) {
	base, err := uuid.Parse(strings.TrimPrefix(report.GetName(), "reports/"))
	if err != nil {
		return 0, nil
	}
	for n := 1; part != nil; n++ {
		switch {
		case part.FileName() == "":
			n-- // no file was chosen
		case n > mostFiles:
			return stored, append(not, notTaken{n, fmt.Sprintf("only %d go with a report; hand the others to your supervisor", mostFiles)})
		default:
			_, err := api.SendFile(ctx, d.files, &pb.AttachmentHeader{Report: report.GetName(), Caption: caption,
				AttachmentId: uuid.NewSHA1(base, fmt.Appendf(nil, "file %d", n)).String()}, part)
			if err == nil {
				stored++
			} else {
				not = append(not, notTaken{n, fileWords(err)})
			}
		}
		if part, err = form.NextPart(); err != nil {
			break
		}
	}
	return stored, not
}

// fileWords says in a sentence why a file was not stored.
func fileWords(err error) string {
	if list, bad := flaws(err); bad {
		return list[0].Words
	}
	switch status.Code(err) {
	case codes.FailedPrecondition:
		return status.Convert(err).Message()
	case codes.ResourceExhausted:
		return "the service has no room for it just now; keep it, and hand it to your supervisor"
	}
	return "it did not come through whole; keep it, and hand it to your supervisor"
}

// shownAttachment is an attachment as the page of a report shows it.
type shownAttachment struct {
	*pb.Attachment
	// ID is the last part of its name.
	ID string
}

// Photo reports whether it is a picture.
func (a shownAttachment) Photo() bool { return a.GetKind() == pb.AttachmentKind_ATTACHMENT_KIND_PHOTO }

// Words are read out instead of the picture.
func (a shownAttachment) Words() string {
	switch {
	case a.GetCaption() != "":
		return a.GetCaption()
	case a.Photo():
		return "Photo without words"
	}
	return "Sound without words"
}

// Facts say how large or long it is.
func (a shownAttachment) Facts() string {
	size := figure.Number(float64(a.GetSizeBytes())/1e6, 1) + " MB"
	if a.GetSizeBytes() < 1e6 {
		size = figure.Number(float64(a.GetSizeBytes())/1e3, 0) + " kB"
	}
	switch {
	case a.Photo():
		return fmt.Sprintf("photo, %d × %d, %s", a.GetWidth(), a.GetHeight(), size)
	case a.GetLength() != nil:
		return fmt.Sprintf("sound, %s s, %s", figure.Number(a.GetLength().AsDuration().Seconds(), 0), size)
	}
	return "sound, " + size
}

// attached puts what is attached to a report into the data of its page.
func (d *desk) attached(v *visit, r *pb.Report, data map[string]any) error {
	if !v.may("AttachmentService.ListAttachments") {
		return nil
	}
	resp, err := d.files.ListAttachments(v.ctx(), &pb.ListAttachmentsRequest{Parent: r.GetName(), MinSequenceNumber: v.written})
	if err != nil {
		return err
	}
	var out []shownAttachment
	for _, a := range resp.GetAttachments() {
		out = append(out, shownAttachment{a, a.GetName()[strings.LastIndexByte(a.GetName(), '/')+1:]})
	}
	data["Attached"] = out
	return nil
}

// attach adds a photo or sound to a report.
func (d *desk) attach(v *visit) {
	id := v.r.PathValue("id")
	part, _, err := fieldsFirst(v.r)
	again := retry{Form: "attach", Values: v.r.PostForm}
	if part == nil {
		swallow(v.r)
		words := "choose a photo or a sound, of at most 25 MB"
		if err != nil {
			words = "the form could not be read whole; it may be too long. Choose the file again"
		}
		again.Flaws = []flaw{bad("chunk", words)}
		d.renderReport(v, again, http.StatusUnprocessableEntity)
		return
	}
	resp, err := api.SendFile(v.ctx(), d.files, &pb.AttachmentHeader{Report: "reports/" + id, RequestId: v.r.PostFormValue("request_id"),
		Caption: posted(v.r, "caption"), KeepLocation: v.r.PostFormValue("keep_location") != ""}, part)
	if err != nil {
		swallow(v.r)
	}
	if f, isBad := flaws(err); isBad {
		again.Flaws = f
		d.renderReport(v, again, http.StatusUnprocessableEntity)
		return
	}
	switch status.Code(err) {
	case codes.OK:
	case codes.FailedPrecondition:
		again.Flaws = []flaw{bad("", status.Convert(err).Message())}
		d.renderReport(v, again, http.StatusConflict)
		return
	default:
		d.problem(v.w, v, err)
		return
	}
	d.sessions.wrote(v.id, resp.GetSequenceNumber())
	http.Redirect(v.w, v.r, "/reports/"+id+"?done=attached", http.StatusSeeOther)
}

// detach removes an attachment.
func (d *desk) detach(v *visit) {
	attachment := v.r.PathValue("attachment")
	d.change(v, "remove "+attachment, "removed", func(ctx context.Context, name, etag, rid string) (int64, error) {
		resp, err := d.files.RemoveAttachment(ctx, &pb.RemoveAttachmentRequest{Name: name + "/attachments/" + attachment,
			Etag: etag, RequestId: rid, Reason: v.r.PostFormValue("reason")})
		return resp.GetSequenceNumber(), err
	})
}

// attachment sends the bytes of an attachment.
func (d *desk) attachment(v *visit) {
	variant, ok := fileweb.Variant(v.r.PathValue("variant"))
	name := "reports/" + v.r.PathValue("id") + "/attachments/" + v.r.PathValue("attachment")
	if !ok {
		d.lost(v)
		return
	}
	f, err := api.OpenFile(v.ctx(), d.files, name, variant)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	defer f.Close()
	if err := fileweb.Send(v.w, v.r, name, f, v.r.URL.Query().Has("save")); err != nil {
		// What was sent is short of its length, which the browser sees.
		panic(http.ErrAbortHandler)
	}
}
