package media

import (
	"bufio"
	"bytes"
	"fmt"
	"image"
	"image/color"
	stddraw "image/draw"
	"image/gif"
	"image/jpeg"
	"image/png"

	"golang.org/x/image/draw"
	"golang.org/x/image/webp"
)

// Bounds of pictures.
const (
	// mostPixels is how many a picture may have.
	mostPixels = 50_000_000
	// MostMemory is how many bytes opening one picture may take.
	MostMemory = 200 << 20
	// aside is what drawing takes beside the opened picture.
	aside = 48 << 20
)

// Longest sides of what is drawn, in pixels.
const (
	displaySide = 1600
	smallSide   = 320
)

// quality of the JPEGs that are drawn, of 100.
const quality = 82

var (
	errUnopened = refuse("the picture cannot be opened: it is torn, or of a kind that only few programs know; open it where it was made, save it as JPEG, and send that")
	errHuge     = refuse("the picture is too large to be opened safely, at most 50 million pixels are: make it smaller and send it again")
)

// Drawing is a picture for display.
type Drawing struct {
	// JPEG is the picture, without anything beside it.
	JPEG []byte
	// Width and Height are its size in pixels.
	Width, Height int
}

// Memory is about how many bytes Draw takes, at most MostMemory and a little.
func (c *Cleaned) Memory() int64 { return c.cost + aside }

// measure reads the size of a picture and refuses one that is too large,
// before anything is opened.
func (c *Cleaned) measure() error {
	if c.cost > MostMemory {
		return errHuge
	}
	cfg, err := c.config()
	if err != nil {
		return errUnopened
	}
	n := int64(cfg.Width) * int64(cfg.Height)
	if cfg.Width <= 0 || cfg.Height <= 0 {
		return errUnopened
	}
	if c.Type == "image/webp" {
		c.cost *= n
	}
	if n > mostPixels || c.cost > MostMemory {
		return errHuge
	}
	c.Width, c.Height = cfg.Width, cfg.Height
	if c.orientation >= 5 {
		c.Width, c.Height = cfg.Height, cfg.Width
	}
	return nil
}

func (c *Cleaned) config() (cfg image.Config, err error) {
	defer recovered(&err)
	r := bufio.NewReader(c.Reader())
	switch c.Type {
	case "image/jpeg":
		return jpeg.DecodeConfig(r)
	case "image/png":
		return png.DecodeConfig(r)
	case "image/gif":
		return gif.DecodeConfig(r)
	}
	return webp.DecodeConfig(r)
}

func (c *Cleaned) open() (img image.Image, err error) {
	defer recovered(&err)
	r := bufio.NewReaderSize(c.Reader(), 64<<10)
	switch c.Type {
	case "image/jpeg":
		return jpeg.Decode(r)
	case "image/png":
		return png.Decode(r)
	case "image/gif":
		return gif.Decode(r) // the first frame
	}
	return webp.Decode(r)
}

// recovered turns a panic of a decoder, which is a fault of it, into a picture
// that cannot be opened.
func recovered(err *error) {
	if p := recover(); p != nil {
		*err = fmt.Errorf("media: a decoder gave up: %T", p)
	}
}

// Draw opens a picture and draws it for display and small, upright, on white
// where it is transparent. A picture smaller than a drawing is not enlarged.
func (c *Cleaned) Draw() (display, small Drawing, err error) {
	img, err := c.open()
	if err != nil {
		return display, small, errUnopened
	}
	canvas := img.Bounds()
	if c.Type == "image/gif" {
		// A frame may be smaller than the picture.
		canvas = image.Rect(0, 0, c.Width, c.Height)
	}
	upright := turn(reduce(img, canvas, displaySide), c.orientation)
	if display, err = encode(upright); err != nil {
		return display, small, err
	}
	small, err = encode(reduce(upright, upright.Bounds(), smallSide))
	return display, small, err
}

func encode(img *image.RGBA) (Drawing, error) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: quality}); err != nil {
		return Drawing{}, fmt.Errorf("media: encode: %w", err)
	}
	return Drawing{JPEG: b.Bytes(), Width: img.Rect.Dx(), Height: img.Rect.Dy()}, nil
}

// reduce draws the canvas of an image so that its longer side has at most side
// pixels. It never holds the image a second time: it first takes the means of
// squares, a row of them at a time, and brings the last factor, below two, by
// interpolation.
func reduce(img image.Image, canvas image.Rectangle, side int) *image.RGBA {
	w, h := canvas.Dx(), canvas.Dy()
	f := max(1, max(w, h)/side)
	mid := image.NewRGBA(image.Rect(0, 0, (w+f-1)/f, (h+f-1)/f))
	if f == 1 {
		paint(mid, img, canvas.Min)
	} else {
		strip := image.NewRGBA(image.Rect(0, 0, w, f))
		for y := range mid.Rect.Dy() {
			rows := min(f, h-y*f)
			strip.Rect.Max.Y = rows
			paint(strip, img, canvas.Min.Add(image.Pt(0, y*f)))
			means(mid.Pix[y*mid.Stride:], strip, f, rows)
		}
	}
	if w, h = mid.Rect.Dx(), mid.Rect.Dy(); max(w, h) <= side {
		return mid
	}
	long := max(w, h)
	out := image.NewRGBA(image.Rect(0, 0, max(1, (w*side+long/2)/long), max(1, (h*side+long/2)/long)))
	draw.ApproxBiLinear.Scale(out, out.Rect, mid, mid.Rect, draw.Src, nil)
	return out
}

// paint draws a part of an image on white.
func paint(dst *image.RGBA, img image.Image, from image.Point) {
	stddraw.Draw(dst, dst.Rect, image.NewUniform(color.White), image.Point{}, stddraw.Src)
	stddraw.Draw(dst, dst.Rect, img, from, stddraw.Over)
}

// means writes the means of the squares of a strip.
func means(out []byte, strip *image.RGBA, f, rows int) {
	w := strip.Rect.Dx()
	for x := 0; x*f < w; x++ {
		from, to := 4*x*f, 4*min(w, (x+1)*f)
		var r, g, b, n int
		for y := range rows {
			row := strip.Pix[y*strip.Stride:]
			for i := from; i < to; i += 4 {
				r, g, b = r+int(row[i]), g+int(row[i+1]), b+int(row[i+2])
				n++
			}
		}
		out[4*x], out[4*x+1], out[4*x+2], out[4*x+3] = byte((r+n/2)/n), byte((g+n/2)/n), byte((b+n/2)/n), 255
	}
}

// turn makes a picture upright (Exif 2.32, 4.6.4, Orientation).
func turn(img *image.RGBA, orientation int) *image.RGBA {
	if orientation <= 1 {
		return img
	}
	w, h := img.Rect.Dx(), img.Rect.Dy()
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	if orientation >= 5 {
		out = image.NewRGBA(image.Rect(0, 0, h, w))
	}
	for y := range h {
		for x := range w {
			i, j := x, y
			switch orientation {
			case 2:
				i = w - 1 - x
			case 3:
				i, j = w-1-x, h-1-y
			case 4:
				j = h - 1 - y
			case 5:
				i, j = y, x
			case 6:
				i, j = h-1-y, x
			case 7:
				i, j = h-1-y, w-1-x
			case 8:
				i, j = y, w-1-x
			}
			copy(out.Pix[out.PixOffset(i, j):][:4], img.Pix[img.PixOffset(x, y):][:4])
		}
	}
	return out
}
