package demo

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"time"

	"google.golang.org/grpc"

	pb "fairlead/proto/gen/fairlead/v1"
)

// pictures attaches a drawing to the latest hazard of each crew, so that the
// page of a report has something to show: what the place looks like, never what
// the report tells.
func (s *Seeder) pictures(w world) []action {
	latest := map[string]*event{}
	for i := range w.events {
		e := &w.events[i]
		if at := latest[e.crew.id]; e.kind == hazard && e.filed.Before(s.Now) && (at == nil || at.filed.Before(e.filed)) {
			latest[e.crew.id] = e
		}
	}
	var out []action
	for _, c := range crews {
		e := latest[c.id]
		if e == nil {
			continue
		}
		// As soon as the report is there, so that it is still of who filed it.
		out = append(out, action{e.filed.Add(time.Second), func(ctx context.Context) error {
			var b bytes.Buffer
			if err := jpeg.Encode(&b, sketch(e.crew.stories), &jpeg.Options{Quality: 80}); err != nil {
				return err
			}
			return attach(as(ctx, "worker"), s.Conn, &pb.AttachmentHeader{Report: "reports/" + s.id("report", e.serial), RequestId: s.id("picture", e.serial),
				AttachmentId: s.id("attachment", e.serial), Caption: "The place, drawn for the demonstration: " + sketches[e.crew.stories]}, b.Bytes())
		}})
	}
	return out
}

func attach(ctx context.Context, conn grpc.ClientConnInterface, h *pb.AttachmentHeader, file []byte) error {
	stream, err := pb.NewAttachmentServiceClient(conn).AddAttachment(ctx)
	if err != nil {
		return err
	}
	const chunk = 128 << 10
	for at := 0; at == 0 || at < len(file); at += chunk {
		// A refusal ends the stream, and the reply tells why.
		if stream.Send(&pb.AddAttachmentRequest{Header: h, Chunk: file[at:min(len(file), at+chunk)]}) != nil {
			break
		}
		h = nil
	}
	if _, err := stream.CloseAndRecv(); err != nil {
		return fmt.Errorf("attach a picture: %w", err)
	}
	return nil
}

// sketches are what the drawings show, by where the crews' stories play.
var sketches = map[string]string{
	"trees": "a tree beside a fence", "mowing": "a mown bank beside a fence", "roads": "a road with two cones",
	"drainage": "an open trench beside a road", "nursery": "a glasshouse", "waste": "two bins on concrete", "workshop": "a shed with its door open",
}

// Colours of the drawings.
var (
	sky, grass, tar    = color.RGBA{214, 226, 229, 255}, color.RGBA{140, 156, 104, 255}, color.RGBA{96, 98, 97, 255}
	timber, leaf, dark = color.RGBA{122, 92, 62, 255}, color.RGBA{74, 104, 62, 255}, color.RGBA{38, 44, 41, 255}
	warn, glass, earth = color.RGBA{206, 104, 24, 255}, color.RGBA{184, 208, 206, 255}, color.RGBA{142, 108, 76, 255}
)

// sketch draws a place in flat shapes.
func sketch(of string) *image.RGBA {
	const w, h = 960, 640
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	box := func(x0, y0, x1, y1 int, c color.RGBA) {
		for y := max(0, y0); y < min(h, y1); y++ {
			for x := max(0, x0); x < min(w, x1); x++ {
				img.SetRGBA(x, y, c)
			}
		}
	}
	disc := func(cx, cy, r int, c color.RGBA) {
		for y := -r; y <= r; y++ {
			for x := -r; x <= r; x++ {
				if x*x+y*y <= r*r {
					img.SetRGBA(cx+x, cy+y, c)
				}
			}
		}
	}
	cone := func(x, y, size int) {
		for i := range size {
			c := warn
			if i > size/3 && i < size/2 {
				c = color.RGBA{240, 240, 236, 255}
			}
			box(x-i/3, y-size+i, x+i/3, y-size+i+1, c)
		}
		box(x-size/2, y, x+size/2, y+size/10, dark)
	}
	box(0, 0, w, 360, sky)
	box(0, 360, w, h, grass)
	if of == "trees" || of == "mowing" {
		for x := 20; x < w; x += 110 {
			box(x, 290, x+16, 400, timber)
		}
		box(0, 310, w, 322, timber)
		box(0, 350, w, 362, timber)
	}
	switch of {
	case "trees":
		box(430, 200, 490, 520, timber)
		for _, d := range [][3]int{{460, 150, 120}, {370, 220, 90}, {560, 210, 95}} {
			disc(d[0], d[1], d[2], leaf)
		}
	case "mowing":
		for y := 400; y < h; y += 48 {
			box(0, y, w, y+24, leaf)
		}
	case "roads", "drainage":
		box(0, 430, w, 600, tar)
		for x := 30; x < w; x += 160 {
			box(x, 508, x+80, 520, color.RGBA{236, 234, 224, 255})
		}
		if of == "drainage" {
			box(0, 385, w, 432, earth)
			box(60, 398, w-60, 426, dark)
		}
		cone(260, 470, 110)
		cone(640, 480, 130)
	case "nursery":
		box(180, 190, 780, 450, glass)
		for x := 180; x <= 780; x += 100 {
			box(x, 190, x+8, 450, dark)
		}
		box(180, 184, 788, 196, dark)
	case "waste":
		box(0, 420, w, h, color.RGBA{178, 176, 170, 255})
		box(200, 270, 420, 520, leaf)
		box(500, 290, 720, 530, tar)
		box(190, 255, 430, 275, dark)
		box(490, 275, 730, 295, dark)
	case "workshop":
		box(140, 150, 820, 460, color.RGBA{170, 172, 168, 255})
		box(120, 130, 840, 156, dark)
		box(360, 240, 600, 460, dark)
		box(0, 460, w, h, color.RGBA{178, 176, 170, 255})
	}
	return img
}
