package media

import (
	"bytes"
	"encoding/binary"
	"io"
	"time"
)

// mostComment bounds a comment header, which holds covers too.
const mostComment = 16 << 20

// stream is one logical stream of an Ogg file.
type stream struct {
	opus  bool
	hertz int64
	// skip are samples at the beginning that are not heard, last the number of
	// the last one.
	skip, last int64
	// commented says that the packet of comments is over; length is how much
	// of it there was.
	commented bool
	length    int64
}

// cleanOgg fills the packet of comments of every stream with nothing and leaves
// everything else where it stands (RFC 3533, RFC 7845, Vorbis I).
func cleanOgg(src *io.SectionReader, _ Options) (*Cleaned, error) {
	w := newWindow(src)
	out := &pieces{src: src}
	c := &Cleaned{out: out}
	streams := map[uint32]*stream{}
	// One packet of comments is put together at a time, from whole pages.
	var pages []*oggPage
	var waiting uint32
	for at := int64(0); at < src.Size(); {
		p, err := w.page(at)
		if err != nil {
			return nil, err
		}
		s := streams[p.serial]
		first := p.flags&2 != 0
		if first != (s == nil) || len(streams) > 64 {
			return nil, errTorn
		}
		if first {
			if s, err = newStream(w.at(at+p.head, int(p.body))); err != nil {
				return nil, err
			}
			streams[p.serial] = s
		}
		if p.granule > s.last {
			s.last = p.granule
		}
		switch {
		case len(pages) > 0 && p.serial != waiting:
			return nil, errTorn // comments of one stream, between those of another
		case first:
			if p.ends != 1 {
				return nil, errTorn // the first packet has the first page to itself
			}
			out.keep(at, p.size)
		case s.commented:
			out.keep(at, p.size)
		default:
			if p.own = bytes.Clone(w.at(at, int(p.size))); p.own == nil {
				return nil, w.torn()
			}
			pages, waiting = append(pages, p), p.serial
			if s.length += p.first; s.length > mostComment {
				return nil, errTorn
			}
			out.put(p.own)
			if p.ends == 0 {
				break
			}
			if !blank(pages, s) {
				return nil, errTorn
			}
			pages, s.commented = nil, true
		}
		at += p.size
	}
	if len(streams) == 0 || len(pages) > 0 {
		return nil, errTorn
	}
	for _, s := range streams {
		if !s.commented {
			return nil, errTorn
		}
		if n := s.last - s.skip; n > 0 && n < 1<<40 {
			c.Length = max(c.Length, time.Duration(float64(n)/float64(s.hertz)*float64(time.Second)))
		}
	}
	return c, nil
}

// newStream reads the first packet of a stream.
func newStream(b []byte) (*stream, error) {
	switch {
	case len(b) >= 19 && string(b[:8]) == "OpusHead":
		return &stream{opus: true, hertz: 48000, skip: int64(binary.LittleEndian.Uint16(b[10:]))}, nil
	case len(b) >= 30 && string(b[:7]) == "\x01vorbis":
		if hertz := int64(binary.LittleEndian.Uint32(b[12:])); hertz > 0 {
			return &stream{hertz: hertz}, nil
		}
		return nil, errTorn
	case len(b) >= 7 && string(b[:7]) == "\x80theora":
		return nil, errFilm
	}
	return nil, refuse("this Ogg file holds something other than Opus or Vorbis sound: " + taken)
}

// oggPage is one page.
type oggPage struct {
	flags      byte
	granule    int64
	serial     uint32
	head, body int64
	size       int64
	// ends is how many packets end in it, first how long the part of the first
	// packet in it is.
	ends  int
	first int64
	own   []byte
}

func (w *window) page(at int64) (*oggPage, error) {
	h := w.at(at, 27)
	if h == nil || string(h[:5]) != "OggS\x00" {
		return nil, w.torn()
	}
	p := &oggPage{flags: h[5], granule: int64(binary.LittleEndian.Uint64(h[6:])), serial: binary.LittleEndian.Uint32(h[14:])}
	n := int(h[26])
	t := w.at(at+27, n)
	if t == nil {
		return nil, w.torn()
	}
	p.head = 27 + int64(n)
	for _, l := range t {
		p.body += int64(l)
		if p.ends == 0 {
			p.first += int64(l)
		}
		if l < 255 {
			p.ends++
		}
	}
	if p.size = p.head + p.body; at+p.size > w.src.Size() {
		return nil, errTorn
	}
	return p, nil
}

// blank overwrites the packet of comments that lies at the beginning of the
// bodies of pages by one of the same length that says nothing: its vendor is
// blanks. Then it seals the pages anew.
func blank(pages []*oggPage, s *stream) bool {
	mark, tail := "\x03vorbis", []byte{0, 0, 0, 0, 1}
	if s.opus {
		mark, tail = "OpusTags", []byte{0, 0, 0, 0}
	}
	var packet []byte
	for _, p := range pages {
		packet = append(packet, p.own[p.head:p.head+p.first]...)
	}
	fill := len(packet) - len(mark) - 4 - len(tail)
	if fill < 0 || string(packet[:len(mark)]) != mark {
		return false
	}
	packet = binary.LittleEndian.AppendUint32([]byte(mark), uint32(fill))
	packet = append(packet, bytes.Repeat([]byte{' '}, fill)...)
	packet = append(packet, tail...)
	for _, p := range pages {
		n := copy(p.own[p.head:p.head+p.first], packet)
		packet = packet[n:]
		binary.LittleEndian.PutUint32(p.own[22:], 0)
		binary.LittleEndian.PutUint32(p.own[22:], oggSum(p.own))
	}
	return true
}

// oggTable is for the checksum of pages: polynomial 0x04c11db7, neither turned
// nor inverted (RFC 3533, 6).
var oggTable = func() (t [256]uint32) {
	for i := range t {
		r := uint32(i) << 24
		for range 8 {
			if r&0x80000000 != 0 {
				r = r<<1 ^ 0x04c11db7
			} else {
				r <<= 1
			}
		}
		t[i] = r
	}
	return t
}()

func oggSum(b []byte) (sum uint32) {
	for _, x := range b {
		sum = sum<<8 ^ oggTable[byte(sum>>24)^x]
	}
	return sum
}
