package media

import (
	"bytes"
	"encoding/binary"
	"io"
	"strings"
)

// Markers of JPEG (ITU-T T.81, table B.1).
const (
	mSOI, mEOI, mSOS           = 0xd8, 0xd9, 0xda
	mDHT, mDAC, mDQT           = 0xc4, 0xcc, 0xdb
	mDNL, mDRI                 = 0xdc, 0xdd
	mAPP0, mAPP1, mAPP2        = 0xe0, 0xe1, 0xe2
	mAPP14, mSOF0, mSOF2, mJPG = 0xee, 0xc0, 0xc2, 0xc8
)

// cleanJPEG keeps what it takes to show the picture. Other APPn segments and
// comments go: XMP, IPTC, maker's previews, further pictures; so does whatever
// follows the end of the image.
func cleanJPEG(src *io.SectionReader, o Options) (*Cleaned, error) {
	w := newWindow(src)
	out := &pieces{src: src}
	c := &Cleaned{orientation: 1, out: out}
	var frame jpegFrame
	out.keep(0, 2)
	exifSeen, plain := false, false
	for at := int64(2); ; {
		b := w.at(at, 2)
		switch {
		case b == nil || b[0] != 0xff:
			return nil, w.torn()
		case b[1] == 0xff: // fill
			at++
			continue
		case b[1] == mEOI:
			out.keep(at, 2)
			frame.rgb = frame.rgb || plain && frame.components == 3
			c.cost = frame.cost()
			return c, nil
		case b[1] < 0xc0, b[1] >= 0xd0 && b[1] <= mSOI:
			return nil, errTorn
		}
		marker := b[1]
		l := w.at(at+2, 2)
		if l == nil {
			return nil, w.torn()
		}
		n := int(binary.BigEndian.Uint16(l))
		if n < 2 {
			return nil, errTorn
		}
		body := w.at(at+4, n-2)
		if body == nil {
			return nil, w.torn()
		}
		begin := at
		at += 2 + int64(n)
		switch {
		case marker == mSOS:
			end, err := w.scan(at)
			if err != nil {
				return nil, err
			}
			out.keep(begin, end-begin)
			at = end
		case marker == mAPP0 && bytes.HasPrefix(body, []byte("JFIF\x00")) && len(body) >= 14:
			// Without its thumbnail, which may show what the picture no
			// longer does.
			out.put(append([]byte{0xff, mAPP0, 0, 16}, append(bytes.Clone(body[:12]), 0, 0)...))
		case marker == mAPP1 && bytes.HasPrefix(body, []byte("Exif\x00\x00")) && !exifSeen:
			exifSeen = true
			stays, x := cleanExif(bytes.Clone(body[6:]), o)
			c.orientation, c.Located = x.orientation, x.located
			if len(stays) > 0 {
				head := binary.BigEndian.AppendUint16([]byte{0xff, mAPP1}, uint16(len(stays)+8))
				out.put(append(append(head, "Exif\x00\x00"...), stays...))
			}
		case marker == mAPP14 && bytes.HasPrefix(body, []byte("Adobe")) && len(body) == 12:
			plain = body[11] == 0
			out.keep(begin, at-begin)
		case marker == mAPP2 && bytes.HasPrefix(body, []byte("ICC_PROFILE\x00")),
			strings.IndexByte(string([]byte{mDHT, mDAC, mDQT, mDNL, mDRI}), marker) >= 0:
			out.keep(begin, at-begin)
		case marker >= mSOF0 && marker <= 0xcf && marker != mJPG:
			if frame.seen || !frame.read(marker, body) {
				return nil, errTorn
			}
			out.keep(begin, at-begin)
		}
	}
}

// scan returns where the marker after the coded data that begins at off stands.
func (w *window) scan(off int64) (int64, error) {
	for {
		n := int(min(64<<10, w.src.Size()-off))
		b := w.at(off, n)
		if n < 2 || b == nil {
			return 0, w.torn()
		}
		for i := 0; ; {
			next := bytes.IndexByte(b[i:], 0xff)
			if next < 0 {
				off += int64(n)
				break
			}
			i += next
			if i+1 == n {
				if i == 0 {
					return 0, errTorn // the file ends in the middle of a marker
				}
				off += int64(i)
				break
			}
			if m := b[i+1]; m != 0 && m != 0xff && (m < 0xd0 || m > 0xd7) {
				return off + int64(i), nil
			}
			i++
		}
	}
}

// jpegFrame is what the header of a frame says.
type jpegFrame struct {
	seen          bool
	progressive   bool
	width, height int
	components    int
	// rgb says that the components are red, green and blue as they stand.
	rgb bool
	// samples are how many the planes hold.
	samples int64
}

func (f *jpegFrame) read(marker byte, b []byte) bool {
	if len(b) < 6 || len(b) != 6+3*int(b[5]) || b[5] == 0 || b[5] > 4 {
		return false
	}
	*f = jpegFrame{seen: true, progressive: marker == mSOF2, components: int(b[5]),
		height: int(binary.BigEndian.Uint16(b[1:])), width: int(binary.BigEndian.Uint16(b[3:]))}
	f.rgb = f.components == 3 && b[6] == 'R' && b[9] == 'G' && b[12] == 'B'
	hMax, vMax, parts := 1, 1, 0
	for i := range f.components {
		h, v := int(b[7+3*i]>>4), int(b[7+3*i]&15)
		if h == 0 || v == 0 || h > 4 || v > 4 {
			return false
		}
		hMax, vMax, parts = max(hMax, h), max(vMax, v), parts+h*v
	}
	units := int64((f.width+8*hMax-1)/(8*hMax)) * int64((f.height+8*vMax-1)/(8*vMax))
	f.samples = units * 64 * int64(parts)
	return true
}

// cost is about what opening it takes: a byte a sample, four more for the
// coefficients of a progressive one, and four a pixel when it is not YCbCr.
func (f *jpegFrame) cost() int64 {
	n := f.samples
	if f.progressive {
		n += 4 * f.samples
	}
	if f.components == 4 || f.rgb {
		n += 4 * int64(f.width) * int64(f.height)
	}
	return n
}
