package media

import (
	"encoding/binary"
	"io"
)

// cleanGIF keeps the frames and how they follow each other. Comments, plain
// text and applications' own blocks go, but for the one that says how often to
// repeat (GIF89a, 1990; the blocks of Netscape and of Animated GIF Extensions).
func cleanGIF(src *io.SectionReader, _ Options) (*Cleaned, error) {
	w := newWindow(src)
	out := &pieces{src: src}
	c := &Cleaned{orientation: 1, out: out}
	h := w.at(0, 13)
	if h == nil {
		return nil, w.torn()
	}
	c.cost = int64(binary.LittleEndian.Uint16(h[6:])) * int64(binary.LittleEndian.Uint16(h[8:]))
	at := 13 + table(h[10])
	out.keep(0, at)
	for {
		b := w.at(at, 1)
		if b == nil {
			return nil, w.torn()
		}
		switch b[0] {
		case 0x3b:
			out.keep(at, 1)
			return c, nil
		case 0x2c:
			d := w.at(at, 10)
			if d == nil {
				return nil, w.torn()
			}
			end, err := w.blocks(at + 10 + table(d[9]) + 1)
			if err != nil {
				return nil, err
			}
			out.keep(at, end-at)
			at = end
		case 0x21:
			l := w.at(at, 14)
			label := w.at(at+1, 1)
			if label == nil {
				return nil, w.torn()
			}
			what := label[0]
			repeat := what == 0xff && l != nil && l[2] == 11 && (string(l[3:14]) == "NETSCAPE2.0" || string(l[3:14]) == "ANIMEXTS1.0")
			end, err := w.blocks(at + 2)
			if err != nil {
				return nil, err
			}
			// A repeat is 19 bytes; a longer one carries something else.
			if what == 0xf9 || repeat && end-at == 19 {
				out.keep(at, end-at)
			}
			at = end
		default:
			return nil, errTorn
		}
	}
}

// table is the size of a colour table that a flag byte announces.
func table(flags byte) int64 {
	if flags&0x80 == 0 {
		return 0
	}
	return 3 << (flags&7 + 1)
}

// blocks returns where a chain of blocks that begins at off is over.
func (w *window) blocks(off int64) (int64, error) {
	for {
		b := w.at(off, 1)
		if b == nil {
			return 0, w.torn()
		}
		off += 1 + int64(b[0])
		if b[0] == 0 {
			return off, nil
		}
	}
}
