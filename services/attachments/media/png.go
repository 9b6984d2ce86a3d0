package media

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"io"
)

const pngMark = "\x89PNG\r\n\x1a\n"

// pngKept are the chunks that stay: image, palette, transparency, colour,
// density, animation (W3C PNG third edition, 11). Text, times, EXIF and what is
// not known go.
var pngKept = map[string]bool{
	"IHDR": true, "PLTE": true, "IDAT": true, "IEND": true, "tRNS": true,
	"cHRM": true, "gAMA": true, "iCCP": true, "sBIT": true, "sRGB": true, "cICP": true, "mDCV": true, "cLLI": true,
	"bKGD": true, "pHYs": true, "acTL": true, "fcTL": true, "fdAT": true,
}

func cleanPNG(src *io.SectionReader, o Options) (*Cleaned, error) {
	w := newWindow(src)
	out := &pieces{src: src}
	c := &Cleaned{orientation: 1, out: out}
	out.keep(0, int64(len(pngMark)))
	for at, first := int64(len(pngMark)), true; ; first = false {
		h := w.at(at, 8)
		if h == nil {
			return nil, w.torn()
		}
		n, kind := int64(binary.BigEndian.Uint32(h)), string(h[4:8])
		if first != (kind == "IHDR") || at+12+n > src.Size() {
			return nil, errTorn
		}
		switch {
		case pngKept[kind]:
			out.keep(at, 12+n)
		case kind == "eXIf" && n <= 1<<16:
			raw := bytes.Clone(w.at(at+8, int(n)))
			stays, x := cleanExif(raw, o)
			c.orientation, c.Located = x.orientation, x.located
			if len(stays) > 0 {
				chunk := append(binary.BigEndian.AppendUint32(nil, uint32(len(stays))), "eXIf"...)
				chunk = append(chunk, stays...)
				out.put(binary.BigEndian.AppendUint32(chunk, crc32.ChecksumIEEE(chunk[4:])))
			}
		}
		if kind == "IHDR" {
			b := w.at(at+8, 13)
			if n != 13 || b == nil {
				return nil, errTorn
			}
			c.cost = pngCost(b)
		}
		at += 12 + n
		if kind == "IEND" {
			return c, nil
		}
	}
}

// pngCost is what opening it takes: up to four channels of a byte or two, and
// twice that when it is interlaced.
func pngCost(header []byte) int64 {
	n := int64(binary.BigEndian.Uint32(header)) * int64(binary.BigEndian.Uint32(header[4:]))
	if n < 0 || n > 4*mostPixels {
		return 1 << 62
	}
	channels := int64(4)
	if colour := header[9]; colour == 0 || colour == 3 {
		channels = 1
	}
	n *= channels
	if header[8] == 16 {
		n *= 2
	}
	if header[12] != 0 {
		n *= 2
	}
	return n
}
