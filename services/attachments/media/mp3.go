package media

import (
	"encoding/binary"
	"io"
	"time"
)

// most bytes between frames that may be passed over, all together.
const mostJunk = 1 << 17

// cleanMP3 keeps the frames. Whatever stands before, between and after them
// goes: ID3 in both versions, APE and Lyrics3 tags, covers.
func cleanMP3(src *io.SectionReader, _ Options) (*Cleaned, error) {
	w := newWindow(src)
	out := &pieces{src: src}
	c := &Cleaned{out: out}
	frames, junk := 0, 0
	var like [2]byte // what all frames have in common: version, layer, rate
	synced := false  // a frame has just ended here
	for at := int64(0); ; {
		h := w.at(at, 10)
		if h == nil {
			break // nothing is shorter than its tag or its frame
		}
		if string(h[:3]) == "ID3" {
			at += 10 + syncSafe(h[6:10])
			if h[5]&0x10 != 0 {
				at += 10 // a footer
			}
			continue
		}
		if string(h[:8]) == "APETAGEX" {
			if t := w.at(at, 32); t != nil && t[23]&0x20 != 0 { // a header, not a footer
				at += 32 + int64(binary.LittleEndian.Uint32(t[12:]))
				continue
			}
		}
		if f, ok := readFrame(h); ok && at+f.size <= src.Size() {
			// What only looks like a frame, such as in the middle of a cover, is
			// not followed by another.
			this := [2]byte{h[1] & 0xfe, h[2] & 0x0c}
			if frames == 0 {
				like = this
			}
			if this == like && (synced || isFrame(w.at(at+f.size, 4))) {
				out.keep(at, f.size)
				c.Length += f.length
				frames++
				synced = true
				at += f.size
				continue
			}
		}
		synced = false
		at++
		if junk++; junk > mostJunk {
			if frames == 0 {
				return nil, errTorn
			}
			break
		}
	}
	if w.err != nil {
		return nil, w.err
	}
	if frames < 2 {
		return nil, errTorn
	}
	return c, nil
}

// syncSafe is a size of seven bits a byte, as ID3 has them.
func syncSafe(b []byte) int64 {
	return int64(b[0]&0x7f)<<21 | int64(b[1]&0x7f)<<14 | int64(b[2]&0x7f)<<7 | int64(b[3]&0x7f)
}

// Kilobits a second of layer III, by version and index (ISO/IEC 11172-3 and
// 13818-3).
var (
	rates1 = [16]int64{0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 0}
	rates2 = [16]int64{0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160, 0}
)

// frame is one frame of MPEG audio.
type frame struct {
	size   int64
	length time.Duration
}

// isFrame reports whether bytes begin with a frame of layer III.
func isFrame(b []byte) bool {
	if len(b) < 4 {
		return false
	}
	_, ok := readFrame(b)
	return ok
}

func readFrame(b []byte) (frame, bool) {
	version, layer := b[1]>>3&3, b[1]>>1&3
	if b[0] != 0xff || b[1]&0xe0 != 0xe0 || version == 1 || layer != 1 {
		return frame{}, false
	}
	hertz := [4]int64{44100, 48000, 32000, 0}[b[2]>>2&3]
	samples, rate := int64(1152), rates1[b[2]>>4]
	if version != 3 { // MPEG 2, and 2.5
		hertz, samples, rate = hertz/2, 576, rates2[b[2]>>4]
		if version == 0 {
			hertz /= 2
		}
	}
	if hertz == 0 || rate == 0 {
		return frame{}, false
	}
	size := samples/8*rate*1000/hertz + int64(b[2]>>1&1)
	return frame{size: size, length: time.Duration(samples) * time.Second / time.Duration(hertz)}, size >= 24
}
