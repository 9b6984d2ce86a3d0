package media

import (
	"encoding/binary"
)

// Tags of EXIF that are looked at (CIPA DC-008, Exif 2.32, tables 4, 7 and 12).
const (
	tagOrientation = 0x0112
	tagExif        = 0x8769
	tagGPS         = 0x8825
	tagTaken       = 0x9003 // DateTimeOriginal
)

// exif is what is of use in what a camera wrote.
type exif struct {
	orientation int
	// taken is when, as the camera's clock had it: 2026:03:04 15:00:00.
	taken string
	// located says that there is a place.
	located bool
}

// readExif reads the TIFF structure of EXIF. What makes no sense is not there:
// a picture is not refused for what its camera scribbled beside it.
func readExif(t []byte) exif {
	out := exif{orientation: 1}
	if len(t) < 8 {
		return out
	}
	var order binary.ByteOrder
	switch string(t[:4]) {
	case "II*\x00":
		order = binary.LittleEndian
	case "MM\x00*":
		order = binary.BigEndian
	default:
		return out
	}
	// directory calls fn for each entry of a directory.
	directory := func(off uint32, fn func(tag, typ uint16, count uint32, value []byte)) {
		if uint64(off)+2 > uint64(len(t)) {
			return
		}
		n := int(order.Uint16(t[off:]))
		for i := range n {
			at := uint64(off) + 2 + 12*uint64(i)
			if at+12 > uint64(len(t)) {
				return
			}
			e := t[at : at+12]
			fn(order.Uint16(e), order.Uint16(e[2:]), order.Uint32(e[4:]), e[8:])
		}
	}
	directory(order.Uint32(t[4:]), func(tag, typ uint16, count uint32, value []byte) {
		switch tag {
		case tagOrientation:
			if v := order.Uint16(value); typ == 3 && count == 1 && v >= 1 && v <= 8 {
				out.orientation = int(v)
			}
		case tagGPS:
			directory(order.Uint32(value), func(uint16, uint16, uint32, []byte) { out.located = true })
		case tagExif:
			directory(order.Uint32(value), func(tag, typ uint16, count uint32, value []byte) {
				at := uint64(order.Uint32(value))
				if tag == tagTaken && typ == 2 && count == 20 && at+19 <= uint64(len(t)) && isTime(t[at:at+19]) {
					out.taken = string(t[at : at+19])
				}
			})
		}
	})
	return out
}

// isTime reports whether bytes are a time as EXIF writes it, and nothing else.
func isTime(b []byte) bool {
	const like = "0000:00:00 00:00:00"
	for i := range like {
		if like[i] == '0' && (b[i] < '0' || b[i] > '9') || like[i] != '0' && b[i] != like[i] {
			return false
		}
	}
	return true
}

// write makes EXIF that says only which way is up and when; nil when there is
// nothing to say.
func (x exif) write() []byte {
	if x.orientation == 1 && x.taken == "" {
		return nil
	}
	le := binary.LittleEndian
	entry := func(b []byte, tag, typ uint16, count, value uint32) []byte {
		return le.AppendUint32(le.AppendUint32(le.AppendUint16(le.AppendUint16(b, tag), typ), count), value)
	}
	b := []byte("II*\x00\x08\x00\x00\x00")
	if x.taken == "" {
		b = entry(le.AppendUint16(b, 1), tagOrientation, 3, 1, uint32(x.orientation))
		return le.AppendUint32(b, 0)
	}
	// Two directories: 2+2*12+4 bytes from 8, then 2+12+4, then the text.
	b = entry(le.AppendUint16(b, 2), tagOrientation, 3, 1, uint32(x.orientation))
	b = le.AppendUint32(entry(b, tagExif, 4, 1, 38), 0)
	b = le.AppendUint32(entry(le.AppendUint16(b, 1), tagTaken, 2, 20, 56), 0)
	return append(append(b, x.taken...), 0)
}

// cleanExif returns what may stay of EXIF, and what it says.
func cleanExif(raw []byte, o Options) (stays []byte, x exif) {
	x = readExif(raw)
	if o.KeepLocation && !o.Nameless {
		return raw, x
	}
	x.located = false
	if o.Nameless {
		x.taken = ""
	}
	return x.write(), x
}
