package media

import (
	"bytes"
	"encoding/binary"
	"io"
	"time"
)

// cleanWAV keeps the format and the samples. A length that the recorder never
// came to write is put right.
func cleanWAV(src *io.SectionReader, _ Options) (*Cleaned, error) {
	w := newWindow(src)
	out := &pieces{src: src}
	c := &Cleaned{out: out}
	le := binary.LittleEndian
	head := bytes.Clone(w.at(0, 12))
	if head == nil {
		return nil, w.torn()
	}
	out.put(head)
	rate := int64(0)
	for at := int64(12); ; {
		h := w.at(at, 8)
		if h == nil {
			return nil, w.torn() // no samples
		}
		kind, n := string(h[:4]), int64(le.Uint32(h[4:]))
		switch kind {
		case "fmt ":
			b := w.at(at+8, 16)
			if b == nil || n < 16 || n > 64 || at+8+n > src.Size() || rate != 0 {
				return nil, errTorn
			}
			if rate = int64(le.Uint32(b[8:])); rate == 0 {
				return nil, errTorn
			}
			out.keep(at, 8+n)
			if n&1 == 1 {
				out.put([]byte{0})
			}
		case "data":
			left := src.Size() - at - 8
			if rate == 0 || left <= 0 {
				return nil, errTorn
			}
			// 0 and all ones are what a recorder writes that does not know
			// yet; a length beyond the end is one that was cut off.
			if n == 0 || n > left {
				n = left
			}
			out.put(le.AppendUint32([]byte("data"), uint32(n)))
			out.keep(at+8, n)
			if n&1 == 1 {
				out.put([]byte{0})
			}
			le.PutUint32(head[4:], uint32(out.size-8))
			c.Length = time.Duration(float64(n) / float64(rate) * float64(time.Second))
			return c, nil
		}
		at += 8 + n + n&1
	}
}
