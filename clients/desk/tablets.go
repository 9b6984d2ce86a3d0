package desk

import (
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"rsc.io/qr"

	pb "fairlead/proto/gen/fairlead/v1"
)

// enrolling is the code that was just made, shown once.
type enrolling struct {
	Device *pb.Device
	Code   string
	// Link leads to the tablet's pages with the code behind a hash sign, which
	// browsers do not send; Picture is the same to be photographed.
	Link    string
	Picture template.HTML
}

// tablets is "shared tablets".
func (d *desk) tablets(v *visit) { d.renderTablets(v, nil, nil, nil, http.StatusOK) }

func (d *desk) renderTablets(v *visit, e *enrolling, typed url.Values, wrong []flaw, code int) {
	places, err := d.placesFor(v)
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	ended := v.r.URL.Query().Get("ended") != ""
	list, err := d.devices.ListDevices(v.ctx(), &pb.ListDevicesRequest{IncludeEnded: ended})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	v.w.Header().Set("Cache-Control", "no-store")
	d.pages.render(v.w, code, "tablets", view{Title: "Shared tablets", Here: "setup", Visit: v,
		Done: map[string]string{"ended": "Taken out. It does nothing any more, wherever it is."}[v.r.URL.Query().Get("done")],
		Data: map[string]any{"Devices": list.GetDevices(), "Enrol": e, "Places": places, "Home": places.Home(), "Ended": ended, "Typed": typed,
			"Flaws": located(wrong, map[string]shown{"display_name": {"What is written on it", "tablet-name"}, "workplace": {"Where it is used", "tablet-workplace"}})}})
}

// addTablet adds a tablet and shows the code that enrols it.
func (d *desk) addTablet(v *visit) {
	resp, err := d.devices.CreateDevice(v.ctx(), &pb.CreateDeviceRequest{Device: &pb.Device{DisplayName: posted(v.r, "name"), Workplace: posted(v.r, "workplace")}})
	d.showCode(v, resp, err)
}

// renewTablet makes a new code for a tablet.
func (d *desk) renewTablet(v *visit) {
	resp, err := d.devices.RenewEnrolment(v.ctx(), &pb.RenewEnrolmentRequest{Name: "devices/" + v.r.PathValue("id")})
	d.showCode(v, resp, err)
}

func (d *desk) showCode(v *visit, resp *pb.CreateDeviceResponse, err error) {
	if list, isBad := flaws(err); isBad {
		d.renderTablets(v, nil, v.r.PostForm, list, http.StatusUnprocessableEntity)
		return
	}
	if status.Code(err) == codes.FailedPrecondition {
		d.renderTablets(v, nil, v.r.PostForm, []flaw{bad("", status.Convert(err).Message())}, http.StatusConflict)
		return
	}
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	scheme := "http"
	if v.r.TLS != nil || v.r.Header.Get("X-Forwarded-Proto") == "https" {
		scheme = "https"
	}
	e := &enrolling{Device: resp.GetDevice(), Code: resp.GetCode()[:4] + "-" + resp.GetCode()[4:]}
	e.Link = scheme + "://" + v.r.Host + "/tablet/#enrol=" + resp.GetCode()
	if e.Picture, err = picture(e.Link); err != nil {
		d.problem(v.w, v, err)
		return
	}
	d.renderTablets(v, e, nil, nil, http.StatusOK)
}

// picture draws a QR code (ISO/IEC 18004) as a drawing that a printer and a
// screen show sharply, with the quiet zone of four modules that readers need.
func picture(text string) (template.HTML, error) {
	c, err := qr.Encode(text, qr.M)
	if err != nil {
		return "", fmt.Errorf("desk: QR code: %w", err)
	}
	const quiet = 4
	var path strings.Builder
	for y := range c.Size {
		for x := range c.Size {
			if c.Black(x, y) {
				fmt.Fprintf(&path, "M%d %dh1v1h-1z", x+quiet, y+quiet)
			}
		}
	}
	n := c.Size + 2*quiet
	// Only numbers and letters of our own stand in it.
	return template.HTML(fmt.Sprintf(`<svg class="qr" role="img" aria-label="QR code with the address and the code" viewBox="0 0 %d %d" shape-rendering="crispEdges"><path fill="#fff" d="M0 0h%dv%dH0z"/><path d="%s"/></svg>`,
		n, n, n, n, path.String())), nil
}

// endTablet takes a tablet out.
func (d *desk) endTablet(v *visit) {
	if _, err := d.devices.EndDevice(v.ctx(), &pb.EndDeviceRequest{Name: "devices/" + v.r.PathValue("id")}); err != nil {
		d.problem(v.w, v, err)
		return
	}
	http.Redirect(v.w, v.r, "/tablets?done=ended", http.StatusSeeOther)
}
