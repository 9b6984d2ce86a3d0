package media

import (
	"bytes"
	"encoding/binary"
	"io"
)

// Flags of the VP8X chunk (RFC 9649, 2.7.1.1).
const (
	webpAnimated = 0x02
	webpXMP      = 0x04
	webpExif     = 0x08
)

// cleanWebP keeps image, transparency and colour profile.
func cleanWebP(src *io.SectionReader, o Options) (*Cleaned, error) {
	w := newWindow(src)
	out := &pieces{src: src}
	c := &Cleaned{orientation: 1, out: out}
	head := bytes.Clone(w.at(0, 12))
	if head == nil {
		return nil, w.torn()
	}
	out.put(head)
	end := 8 + int64(binary.LittleEndian.Uint32(head[4:]))
	if end > src.Size() || end < 20 {
		return nil, errTorn
	}
	var extended []byte
	pictures := 0
	perPixel := int64(6)
	for at := int64(12); at < end; {
		h := w.at(at, 8)
		if h == nil {
			return nil, w.torn()
		}
		kind, n := string(h[:4]), int64(binary.LittleEndian.Uint32(h[4:]))
		whole := 8 + n + n&1
		if at+8+n > end {
			return nil, errTorn
		}
		// The last byte of padding is sometimes forgotten.
		whole = min(whole, end-at)
		switch kind {
		case "VP8X":
			if n != 10 || extended != nil {
				return nil, errTorn
			}
			extended = bytes.Clone(w.at(at, 18))
			if extended[8]&webpAnimated != 0 {
				return nil, errFilm
			}
			extended[8] &^= webpExif | webpXMP
			out.put(extended)
		case "VP8L":
			perPixel = 8
			fallthrough
		case "VP8 ":
			pictures++
			fallthrough
		case "ICCP", "ALPH":
			out.keep(at, whole)
			if whole&1 == 1 {
				out.put([]byte{0})
			}
		case "EXIF":
			if extended == nil || n > 1<<16 || c.Located {
				break
			}
			raw := bytes.TrimPrefix(bytes.Clone(w.at(at+8, int(n))), []byte("Exif\x00\x00"))
			stays, x := cleanExif(raw, o)
			c.orientation, c.Located = x.orientation, x.located
			if len(stays) == 0 || extended[8]&webpExif != 0 {
				break
			}
			extended[8] |= webpExif
			chunk := binary.LittleEndian.AppendUint32([]byte("EXIF"), uint32(len(stays)))
			chunk = append(chunk, stays...)
			if len(chunk)&1 == 1 {
				chunk = append(chunk, 0)
			}
			out.put(chunk)
		}
		at += whole
	}
	if pictures != 1 {
		return nil, errTorn
	}
	binary.LittleEndian.PutUint32(head[4:], uint32(out.size-8))
	c.cost = perPixel
	return c, nil
}
