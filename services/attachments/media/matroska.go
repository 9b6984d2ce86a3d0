package media

import (
	"encoding/binary"
	"io"
	"math"
	"strings"
	"time"
)

// Elements of EBML and Matroska that matter here (RFC 8794, RFC 9559).
const (
	ebmlHead    = 0x1a45dfa3
	ebmlDocType = 0x4282
	mkSegment   = 0x18538067
	mkInfo      = 0x1549a966
	mkScale     = 0x2ad7b1
	mkDuration  = 0x4489
	mkTitle     = 0x7ba9
	mkDate      = 0x4461
	mkFileName  = 0x7384
	mkTracks    = 0x1654ae6b
	mkTrack     = 0xae
	mkTrackType = 0x83
	mkTrackName = 0x536e
	mkCluster   = 0x1f43b675
	mkCues      = 0x1c53bb6b
	mkSeek      = 0x114d9b74
	mkTags      = 0x1254c367
	mkFiles     = 0x1941a469
	mkChapters  = 0x1043a770
	mkVoid      = 0xec
	mkCRC       = 0xbf
)

// matroska is a file on its way through.
type matroska struct {
	w        *window
	out      *pieces
	c        *Cleaned
	scale    int64
	duration float64
	sounds   int
	// left bounds how many elements are looked at.
	left int
}

// cleanMatroska overwrites tags, covers, chapters, titles and dates by elements
// that say nothing and are as long, so that nothing else moves.
func cleanMatroska(src *io.SectionReader, _ Options) (*Cleaned, error) {
	m := &matroska{w: newWindow(src), out: &pieces{src: src}, scale: 1_000_000, left: 1 << 20}
	m.c = &Cleaned{out: m.out}
	head, err := m.element(0, src.Size())
	if err != nil {
		return nil, err
	}
	if head.id != ebmlHead || head.open {
		return nil, errTorn
	}
	kind, err := m.docType(head)
	if err != nil {
		return nil, err
	}
	switch kind {
	case "webm":
	case "matroska":
		m.c.Type = "audio/matroska"
	default:
		return nil, errForeign
	}
	m.out.keep(0, head.end)
	if err := m.segment(head.end); err != nil {
		return nil, err
	}
	if m.sounds == 0 {
		return nil, errTorn
	}
	if seconds := m.duration * float64(m.scale) / 1e9; seconds > 0 && seconds < 1e6 {
		m.c.Length = time.Duration(seconds * float64(time.Second))
	}
	return m.c, nil
}

// element is one element: its head stands from begin to body, its contents to
// end. An open one has no length and lasts until something ends it.
type element struct {
	id               uint32
	begin, body, end int64
	open             bool
}

// element reads the head of the element at a place within something that ends
// at a limit.
func (m *matroska) element(at, limit int64) (element, error) {
	if m.left--; m.left < 0 {
		return element{}, errTorn
	}
	e := element{begin: at}
	b := m.w.at(at, int(min(12, limit-at)))
	if len(b) < 2 {
		return e, m.w.torn()
	}
	n := 1
	for mask := byte(0x80); b[0]&mask == 0; mask >>= 1 {
		if n++; n > 4 {
			return e, errTorn
		}
	}
	if len(b) < n+1 {
		return e, errTorn
	}
	for _, x := range b[:n] {
		e.id = e.id<<8 | uint32(x)
	}
	b = b[n:]
	l, mask := 1, byte(0x80)
	for ; b[0]&mask == 0; mask >>= 1 {
		if l++; l > 8 {
			return e, errTorn
		}
	}
	if len(b) < l {
		return e, errTorn
	}
	size, ones := uint64(b[0]&(mask-1)), b[0]&(mask-1) == mask-1
	for _, x := range b[1:l] {
		size, ones = size<<8|uint64(x), ones && x == 0xff
	}
	e.body = at + int64(n+l)
	if ones {
		e.open, e.end = true, limit
		return e, nil
	}
	if size > uint64(limit-e.body) {
		// The last cluster of a recording that was cut off.
		if e.id != mkCluster && e.id != mkSegment {
			return e, errTorn
		}
		size = uint64(limit - e.body)
	}
	e.end = e.body + int64(size)
	return e, nil
}

// each calls fn for the elements within another.
func (m *matroska) each(in element, fn func(element) error) error {
	for at := in.body; at < in.end; {
		e, err := m.element(at, in.end)
		if err != nil {
			return err
		}
		if e.open {
			return errTorn
		}
		if err := fn(e); err != nil {
			return err
		}
		at = e.end
	}
	return nil
}

func (m *matroska) docType(head element) (kind string, err error) {
	err = m.each(head, func(e element) error {
		if e.id == ebmlDocType && e.end-e.body <= 16 {
			kind = strings.TrimRight(string(m.w.at(e.body, int(e.end-e.body))), "\x00")
		}
		return nil
	})
	return kind, err
}

// segment goes through the segment at a place, which is all the rest.
func (m *matroska) segment(at int64) error {
	size := m.w.src.Size()
	s, err := m.element(at, size)
	if err != nil {
		return err
	}
	if s.id != mkSegment {
		return errTorn
	}
	m.out.keep(s.begin, s.body-s.begin)
	for at := s.body; at < s.end; {
		e, err := m.element(at, s.end)
		if err != nil {
			return err
		}
		if e.open {
			if e.id != mkCluster {
				return errTorn
			}
			if e.end, err = m.openEnd(e); err != nil {
				return err
			}
		}
		switch e.id {
		case mkInfo:
			err = m.info(e)
		case mkTracks:
			err = m.tracks(e)
		case mkCluster, mkCues, mkSeek:
			m.out.keep(e.begin, e.end-e.begin)
		default:
			// Tags, covers and other files, chapters, and what is not known.
			err = m.void(e)
		}
		if err != nil {
			return err
		}
		at = e.end
	}
	return nil // what follows the segment goes
}

// openEnd finds the end of an open cluster: the next element that cannot be in
// one.
func (m *matroska) openEnd(c element) (int64, error) {
	for at := c.body; at < c.end; {
		e, err := m.element(at, c.end)
		if err != nil {
			// A recording that was cut off ends in the middle of something.
			if m.w.err == nil && m.left >= 0 {
				return c.end, nil
			}
			return 0, err
		}
		switch e.id {
		case mkCluster, mkCues, mkTags, mkFiles, mkChapters, mkInfo, mkTracks, mkSeek:
			return at, nil
		}
		if e.open {
			return 0, errTorn
		}
		at = e.end
	}
	return c.end, nil
}

func (m *matroska) info(in element) error {
	m.out.keep(in.begin, in.body-in.begin)
	return m.each(in, func(e element) error {
		switch n := e.end - e.body; e.id {
		case mkTitle, mkDate, mkFileName, mkCRC:
			return m.void(e)
		case mkScale:
			if b := m.w.at(e.body, int(min(n, 9))); n >= 1 && n <= 8 && b != nil {
				m.scale = 0
				for _, x := range b {
					m.scale = m.scale<<8 | int64(x)
				}
			}
		case mkDuration:
			switch b := m.w.at(e.body, int(min(n, 9))); {
			case n == 4 && b != nil:
				m.duration = float64(math.Float32frombits(binary.BigEndian.Uint32(b)))
			case n == 8 && b != nil:
				m.duration = math.Float64frombits(binary.BigEndian.Uint64(b))
			}
		}
		m.out.keep(e.begin, e.end-e.begin)
		return nil
	})
}

func (m *matroska) tracks(in element) error {
	m.out.keep(in.begin, in.body-in.begin)
	return m.each(in, func(track element) error {
		if track.id != mkTrack {
			return m.void(track)
		}
		m.out.keep(track.begin, track.body-track.begin)
		return m.each(track, func(e element) error {
			switch e.id {
			case mkTrackName, mkCRC:
				return m.void(e)
			case mkTrackType:
				switch b := m.w.at(e.body, 1); {
				case b == nil || e.end-e.body != 1:
					return errTorn
				case b[0] == 2:
					m.sounds++
				case b[0] == 1 || b[0] == 3:
					return errFilm
				default:
					return refuse("this file holds more than sound: send the sound alone")
				}
			}
			m.out.keep(e.begin, e.end-e.begin)
			return nil
		})
	})
}

// void puts an element of the same length that says nothing in the place of
// another.
func (m *matroska) void(e element) error {
	n := e.end - e.begin
	if n < 2 {
		return errTorn
	}
	head := []byte{mkVoid, 0x80 | byte(n-2)}
	if n >= 128 {
		head = binary.BigEndian.AppendUint64(head[:1], 1<<56|uint64(n-9))
	}
	m.out.put(head)
	m.out.blank(n - int64(len(head)))
	return nil
}
