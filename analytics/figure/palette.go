package figure

import (
	"fmt"
	"math"
)

// Color is an opaque colour, 0xRRGGBB. Figures use only the colours named here
// and the tints that [Tint] makes of Water.
type Color uint32

// The palette: paper and ink, one deep water colour, and ochre for "look here".
const (
	Paper   Color = 0xFAF8F3 // the ground, and the inside of open marks
	Ink     Color = 0x1A1D1B // text and points, 16:1 on paper
	SoftInk Color = 0x4A504C // axes and secondary text, 7.8:1
	Rule    Color = 0x8A8F88 // thin rules and hatching, 3:1, never text
	Water   Color = 0x0B4F5C // bars and tints, 8.6:1
	Ochre   Color = 0x8A4B00 // a point that asks for attention, 6.4:1, never alone
)

// Hex returns the colour as #rrggbb.
func (c Color) Hex() string { return fmt.Sprintf("#%06x", uint32(c)&0xFFFFFF) }

// RGB returns the three channels, each 0 to 255.
func (c Color) RGB() (r, g, b uint8) { return uint8(c >> 16), uint8(c >> 8), uint8(c) }

// Contrast returns the contrast ratio of two colours, 1 to 21.
//
// W3C, Web Content Accessibility Guidelines 2.1, "contrast ratio" and
// "relative luminance".
func Contrast(a, b Color) float64 {
	la, lb := luminance(a), luminance(b)
	if la < lb {
		la, lb = lb, la
	}
	return (la + 0.05) / (lb + 0.05)
}

func luminance(c Color) float64 {
	r, g, b := c.RGB()
	lin := func(v uint8) float64 {
		s := float64(v) / 255
		if s <= 0.03928 {
			return s / 12.92
		}
		return math.Pow((s+0.055)/1.055, 2.4)
	}
	return 0.2126*lin(r) + 0.7152*lin(g) + 0.0722*lin(b)
}

// tints is the number of steps between Paper and Water that Tint distinguishes.
const tints = 5

// Tint returns one of five tints of Water on Paper for a share in [0, 1]; 0 is
// Paper itself. Steps, not a continuous ramp: a reader can tell five apart, and
// the number in the cell says the rest. The two darkest need Paper text; use
// [TextOn].
func Tint(share float64) Color {
	if !(share > 0) {
		return Paper
	}
	step := math.Min(tints, math.Ceil(share*tints))
	// The lightest step stays visible beside Paper, the darkest is Water.
	mix := [tints + 1]float64{0, 0.12, 0.28, 0.46, 0.80, 1}[int(step)]
	pr, pg, pb := Paper.RGB()
	wr, wg, wb := Water.RGB()
	ch := func(p, w uint8) uint32 { return uint32(math.Round(float64(p) + mix*(float64(w)-float64(p)))) }
	return Color(ch(pr, wr)<<16 | ch(pg, wg)<<8 | ch(pb, wb))
}

// TextOn returns the text colour, Ink or Paper, that reads best on a ground.
func TextOn(ground Color) Color {
	if Contrast(Ink, ground) >= Contrast(Paper, ground) {
		return Ink
	}
	return Paper
}
