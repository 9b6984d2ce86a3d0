package webtest

import (
	"bytes"
	"encoding/base64"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// somewhere is a latitude as a camera writes it: 33, 51, 88.88.
var somewhere = []byte{0, 0, 0, 33, 0, 0, 0, 1, 0, 0, 0, 51, 0, 0, 0, 1, 0, 0, 0x22, 0xb8, 0, 0, 0, 100}

// snap makes a photo with the place in it.
func snap(t testing.TB, w, h int) []byte {
	t.Helper()
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	for i := range w * h {
		img.Set(i%w, i/w, color.RGBA{R: uint8(i % w), G: uint8(i / w), B: 90, A: 255})
	}
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, img, nil))
	be := binary.BigEndian
	x := []byte("Exif\x00\x00MM\x00*\x00\x00\x00\x08\x00\x01\x88\x25\x00\x04\x00\x00\x00\x01\x00\x00\x00\x1a\x00\x00\x00\x00\x00\x01")
	x = append(be.AppendUint32(append(x, 0, 2, 0, 5, 0, 0, 0, 3), 44), 0, 0, 0, 0)
	x = append(x, somewhere...)
	out := append([]byte{0xff, 0xd8, 0xff, 0xe1}, be.AppendUint16(nil, uint16(len(x)+2))...)
	return append(append(out, x...), b.Bytes()[2:]...)
}

// choose puts files into a file field.
func (b *tab) choose(sel string, files ...[]byte) {
	b.t.Helper()
	var paths []string
	for i, f := range files {
		paths = append(paths, filepath.Join(b.t.TempDir(), fmt.Sprintf("IMG_%d.jpg", i)))
		require.NoError(b.t, os.WriteFile(paths[i], f, 0o600))
	}
	b.do(chromedp.SetUploadFiles(chromedp.CSS(sel), paths))
}

// attachments returns what is attached to a report.
func (h *house) attachments(t *testing.T, report string) []*pb.Attachment {
	t.Helper()
	resp, err := pb.NewAttachmentServiceClient(h.conn).ListAttachments(h.as(t, "adviser"), &pb.ListAttachmentsRequest{Parent: report})
	require.NoError(t, err)
	return resp.GetAttachments()
}

// original returns the bytes of an attachment as they are stored.
func (h *house) original(t *testing.T, name string) []byte {
	t.Helper()
	stream, err := pb.NewAttachmentServiceClient(h.conn).ReadAttachment(h.as(t, "adviser"), &pb.ReadAttachmentRequest{Name: name})
	require.NoError(t, err)
	var out []byte
	for {
		m, err := stream.Recv()
		if err != nil {
			return out
		}
		out = append(out, m.GetChunk()...)
	}
}

// made has the browser make a file and returns it: JavaScript that gives a
// promise of a Blob.
func (b *tab) made(js string) []byte {
	b.t.Helper()
	// As after a click: sound needs one.
	touched := func(p *runtime.EvaluateParams) { p.UserGesture = new(true) }
	text := get(b, chromedp.Evaluate[string](`(`+js+`)().then(async (blob) => {
		let out = "";
		for (const x of new Uint8Array(await blob.arrayBuffer())) out += String.fromCharCode(x);
		return btoa(out);
	})`, chromedp.EvalAwaitPromise, touched))
	raw, err := base64.StdEncoding.DecodeString(text)
	require.NoError(b.t, err)
	require.NotEmpty(b.t, raw)
	return raw
}

// recording is half a second of a tone, as a page records it.
func recording(mediaType string) string {
	return fmt.Sprintf(`() => new Promise((done, fail) => {
		const audio = new AudioContext(), tone = audio.createOscillator(), to = audio.createMediaStreamDestination();
		tone.connect(to);
		const r = new MediaRecorder(to.stream, {mimeType: %q}), parts = [];
		r.ondataavailable = (e) => parts.push(e.data);
		r.onerror = fail;
		r.onstop = () => { audio.close(); done(new Blob(parts)); };
		audio.resume(); tone.start(); r.start(); setTimeout(() => r.stop(), 500);
	})`, mediaType)
}

// drawing is a picture as a page makes it.
func drawing(mediaType string) string {
	return fmt.Sprintf(`() => new Promise((done) => {
		const c = document.createElement("canvas");
		c.width = 640; c.height = 400;
		const x = c.getContext("2d");
		x.fillStyle = "#0b4f5c"; x.fillRect(0, 0, 300, 400);
		c.toBlob(done, %q, 0.9);
	})`, mediaType)
}

// TestAttach adds a picture through the page and sees it there, upright, with
// its words; then takes it out again.
func TestAttach(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	name := h.file(t, "workplaces/northside")
	b := newTab(t, h)
	b.signIn("adviser")
	b.open("/reports/" + name)
	add := `form[action$="/attachments"]`
	send := func(caption string, files ...[]byte) int64 {
		t.Helper()
		b.unfold(`details:has(> form[action$='/attachments'])`)
		b.fill("#attach-caption", caption)
		b.choose("#attach-file", files...)
		return b.send(add + " button")
	}
	require.EqualValues(t, 200, send("the bolt in the fence", snap(t, 800, 500)))
	require.Contains(t, b.text(".done"), "Added.")
	require.Equal(t, 1, b.count(".attached img"))
	require.Equal(t, "the bolt in the fence", eval[string](b, `document.querySelector(".attached img").alt`))
	seen := func(sel string) []int {
		t.Helper()
		return eval[[]int](b, fmt.Sprintf(`(async () => { const i = document.querySelector(%q); i.loading = "eager"; await i.decode(); return [i.naturalWidth, i.naturalHeight]; })()`, sel))
	}
	require.Equal(t, []int{320, 200}, seen(".attached img"), "the browser shows it")
	require.Contains(t, b.text(".attached figcaption"), "photo, 800 × 500")
	require.Contains(t, b.text(".history"), "photo or sound added")
	require.Empty(t, b.axe(1320))
	b.sized(320)
	require.Empty(t, b.axe(320))
	require.LessOrEqual(t, eval[int](b, `document.documentElement.scrollWidth`), 320)
	b.sized(1320)
	list := h.attachments(t, "reports/"+name)
	require.Len(t, list, 1)
	require.NotContains(t, string(h.original(t, list[0].GetName())), string(somewhere), "the place is gone")
	b.quiet("a picture")

	// What cannot be taken leaves the words in the form.
	require.EqualValues(t, 422, send("words to keep", []byte("<svg onload='alert(1)'/>")))
	require.NotZero(t, b.count(`.wrong a[href="#attach-file"]`), b.text(".wrong"))
	require.Contains(t, b.text(".wrong"), "JPEG, PNG, WebP or GIF")
	require.Equal(t, "words to keep", b.value("#attach-caption"))
	require.Empty(t, b.axe(1320))
	require.EqualValues(t, 422, b.send(add+" button"), "no file at all")
	require.Contains(t, b.text(".wrong"), "choose a photo or a sound")

	// The larger picture, and nothing that could run there.
	require.EqualValues(t, 200, b.open("/reports/"+name+"/attachments/"+list[0].GetName()[len("reports/")+36+len("/attachments/"):]+"/display"))
	require.Equal(t, []int{800, 500}, seen("img"))

	b.open("/reports/" + name)
	b.unfold(`.attached details`)
	require.EqualValues(t, 422, b.send(`form[action$="/remove"] button`))
	require.Contains(t, b.text(".wrong"), "Why")
	b.fill(`.attached input[name=reason]`, "A face is in it.")
	require.EqualValues(t, 200, b.send(`form[action$="/remove"] button`))
	require.Contains(t, b.text(".done"), "Removed.")
	require.Zero(t, b.count(".attached"))
	require.Contains(t, b.text(".history"), "A face is in it.")
	require.Empty(t, h.attachments(t, "reports/"+name))
	b.noWordsInAddresses(map[string]string{"a": "the bolt in the fence", "b": "A face is in it.", "c": "words to keep"})
}

// TestAttach_whatBrowsersMake takes pictures and recordings as a real browser
// makes them, and the browser shows and plays what was stored of them.
func TestAttach_whatBrowsersMake(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	name := h.file(t, "workplaces/northside")
	b := newTab(t, h)
	b.signIn("adviser")
	for _, c := range []struct{ makes, want string }{
		{drawing("image/jpeg"), "image/jpeg"}, {drawing("image/png"), "image/png"}, {drawing("image/webp"), "image/webp"},
		{recording("audio/webm;codecs=opus"), "audio/webm"}, {recording("audio/mp4"), "audio/mp4"},
	} {
		b.open("/reports/" + name)
		if strings.HasPrefix(c.want, "audio/mp4") && !eval[bool](b, `MediaRecorder.isTypeSupported("audio/mp4")`) {
			t.Log("this browser records no MP4; that part did not run")
			continue
		}
		file := b.made(c.makes)
		b.unfold(`details:has(> form[action$='/attachments'])`)
		b.choose("#attach-file", file)
		require.EqualValues(t, 200, b.send(`form[action$="/attachments"] button`), "%s: %s", c.want, b.text(".wrong"))
		list := h.attachments(t, "reports/"+name)
		a := list[len(list)-1]
		require.Equal(t, c.want, a.GetMediaType())
		at := "/reports/" + strings.TrimPrefix(a.GetName(), "reports/")
		if a.GetKind() == pb.AttachmentKind_ATTACHMENT_KIND_PHOTO {
			require.EqualValues(t, 640, a.GetWidth())
			for _, v := range []string{"/original", "/display"} {
				require.Equal(t, 640, eval[int](b, fmt.Sprintf(`(async () => { const i = new Image(); i.src = %q; await i.decode(); return i.naturalWidth; })()`, at+v)), c.want)
			}
			continue
		}
		played := eval[float64](b, fmt.Sprintf(`new Promise((done, fail) => {
			const a = document.querySelector('audio[src=%q]');
			a.muted = true;
			a.ontimeupdate = () => { if (a.currentTime > 0.2) done(a.currentTime); };
			a.onended = () => done(a.currentTime);
			a.onerror = () => fail(new Error(a.error.message));
			a.play().catch(fail);
		})`, at+"/original"))
		require.Greater(t, played, 0.1, "%s plays", c.want)
	}
	b.quiet("what browsers make")
}

// TestReportForm_photos sends photos with a report, without script and without
// signing in: good ones are there, the bad one is named, the report is safe.
func TestReportForm_photos(t *testing.T) {
	t.Parallel()
	for _, mode := range []string{"mode-named", "mode-anonymous"} {
		t.Run(mode, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t)
			b := newTab(t, h)
			b.withoutScript()
			b.open("/report")
			b.unfold("main details")
			b.fillForm(map[string]string{"kind-hazard": "yes", "workplace": "workplaces/northside", "narrative": "Guard is off.", mode: "yes", "caption": "the saw"})
			b.choose("#file", snap(t, 60, 40), []byte("no photo"), snap(t, 40, 60))
			require.EqualValues(t, 200, b.send("button.send"))
			require.Equal(t, "Received", b.text("h1"))
			require.Contains(t, b.text("main"), "With it: 2 photos")
			require.Contains(t, b.text("main"), "File 2 was not stored")
			list := h.attachments(t, h.stored(t)[0].GetName())
			require.Len(t, list, 2)
			for _, a := range list {
				require.Equal(t, "the saw", a.GetCaption())
				require.NotContains(t, string(h.original(t, a.GetName())), string(somewhere))
				if mode == "mode-anonymous" {
					require.Equal(t, time.Date(2026, 9, 9, 14, 0, 0, 0, time.UTC), a.GetCreateTime().AsTime(), "only the day")
				}
			}
			b.quiet("photos")
		})
	}
	// Too many, and a form with something wrong in it.
	h := newHouse(t)
	b := newTab(t, h)
	b.open("/report")
	b.unfold("main details")
	b.fillForm(map[string]string{"kind-hazard": "yes", "workplace": "workplaces/northside", "narrative": "Guard is off.", "mode-named": "yes"})
	many := make([][]byte, 7)
	for i := range many {
		many[i] = snap(t, 20+i, 20)
	}
	b.choose("#file", many...)
	require.EqualValues(t, 200, b.send("button.send"))
	require.Contains(t, b.text("main"), "only 5 go with a report")
	require.Len(t, h.attachments(t, h.stored(t)[0].GetName()), 5)
}
