package desk

import (
	"context"
	"net/http"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// openTeller says who told a report, once: the name stands on the page that
// answers this form, in no address and in no cache.
func (d *desk) openTeller(v *visit) {
	v.w.Header().Set("Cache-Control", "no-store")
	if err := v.r.ParseForm(); err != nil {
		d.renderReport(v, retry{Flaws: []flaw{bad("", "the form could not be read; it may be too large")}}, http.StatusRequestEntityTooLarge)
		return
	}
	t, err := d.reports.GetTeller(v.ctx(), &pb.GetTellerRequest{Name: words.Report(v.r.PathValue("id")) + "/teller",
		Reason: posted(v.r, "reason"), Passphrase: v.r.PostFormValue("passphrase")})
	again := retry{Form: "teller", Values: v.r.PostForm}
	if f, isBad := flaws(err); isBad {
		again.Flaws = f
		d.renderReport(v, again, http.StatusUnprocessableEntity)
		return
	}
	switch status.Code(err) {
	case codes.OK:
		d.renderReport(v, retry{Opened: t}, http.StatusOK)
	case codes.NotFound:
		// Of the report itself the page says so.
		d.renderReport(v, retry{Opened: &pb.Teller{}}, http.StatusOK)
	case codes.PermissionDenied:
		again.Flaws = []flaw{bad("", sentence(status.Convert(err).Message()))}
		d.renderReport(v, again, http.StatusForbidden)
	case codes.ResourceExhausted:
		again.Flaws = []flaw{bad("passphrase", status.Convert(err).Message())}
		d.renderReport(v, again, http.StatusTooManyRequests)
	default:
		d.problem(v.w, v, err)
	}
}

// cover decides on the story as others read it.
func (d *desk) cover(v *visit) {
	d.change(v, "masked", "masked", func(ctx context.Context, name, etag, rid string) (int64, error) {
		_, err := d.masks.SetMaskedText(ctx, &pb.SetMaskedTextRequest{Report: name, Etag: etag, RequestId: rid, Narrative: posted(v.r, "narrative")})
		return 0, err
	})
}

// covered puts whether who told can be opened, and the story as others read it,
// into the data of a report's page.
func (d *desk) covered(v *visit, r *pb.Report, data map[string]any) error {
	if data["Closed"] == true {
		return nil
	}
	data["Tells"] = v.may("ReportService.GetTeller") && r.GetOrigin() == nil && r.GetTellerMode() != pb.TellerMode_TELLER_MODE_ANONYMOUS
	data["InConfidence"] = r.GetTellerMode() != pb.TellerMode_TELLER_MODE_NAMED
	if !v.may("MaskService.SetMaskedText") || !v.may("MaskService.SuggestMasks") || r.GetNarrative() == "" {
		return nil
	}
	m, err := d.masks.SuggestMasks(v.ctx(), &pb.SuggestMasksRequest{Report: r.GetName()})
	data["Masks"] = m
	return err
}
