package media

import (
	"bytes"
	"encoding/binary"
	"io"
	"time"
)

// mostDepth is how deep boxes may lie in each other.
const mostDepth = 8

// mp4 is a file on its way through.
type mp4 struct {
	w      *window
	out    *pieces
	c      *Cleaned
	o      Options
	sounds int
	left   int
}

// cleanMP4 turns boxes that say something beside the sound into free space of
// the same length, so that nothing else moves (ISO/IEC 14496-12): udta with its
// titles, covers and places, meta, XMP in uuid. When nobody may know who told,
// the dates of movie, track and media go to nothing as well.
func cleanMP4(src *io.SectionReader, o Options) (*Cleaned, error) {
	m := &mp4{w: newWindow(src), out: &pieces{src: src}, o: o, left: 1 << 18}
	m.c = &Cleaned{out: m.out}
	if err := m.boxes(0, src.Size(), 0); err != nil {
		return nil, err
	}
	if m.sounds == 0 || m.w.err != nil {
		return nil, m.w.torn()
	}
	return m.c, nil
}

// holds are the boxes whose contents are looked at.
var holds = map[string]bool{"moov": true, "trak": true, "mdia": true, "moof": true, "traf": true, "edts": true, "mvex": true, "minf": true, "dinf": true}

// keeps are the boxes that stay as they are.
var keeps = map[string]bool{
	"ftyp": true, "styp": true, "mdat": true, "sidx": true, "ssix": true, "mfra": true, "prft": true,
	"mvhd": true, "tkhd": true, "mdhd": true, "hdlr": true, "elst": true, "tref": true, "trex": true, "mehd": true,
	"smhd": true, "nmhd": true, "dref": true, "stbl": true, "mfhd": true, "tfhd": true, "tfdt": true, "trun": true, "sdtp": true, "sbgp": true, "sgpd": true, "subs": true, "saio": true, "saiz": true,
}

func (m *mp4) boxes(at, end int64, depth int) error {
	if depth > mostDepth {
		return errTorn
	}
	for at < end {
		if m.left--; m.left < 0 {
			return errTorn
		}
		h := m.w.at(at, 8)
		if h == nil || at+8 > end {
			return m.w.torn()
		}
		n, kind, head := int64(binary.BigEndian.Uint32(h)), string(h[4:8]), int64(8)
		switch n {
		case 0:
			n = end - at
		case 1:
			l := m.w.at(at+8, 8)
			if l == nil || binary.BigEndian.Uint64(l) > 1<<62 {
				return m.w.torn()
			}
			n, head = int64(binary.BigEndian.Uint64(l)), 16
		}
		if n < head || n > end-at {
			return errTorn
		}
		var err error
		switch {
		case kind == "mvhd" || kind == "tkhd" || kind == "mdhd":
			err = m.header(kind, at, head, n)
		case kind == "hdlr":
			err = m.handler(at, head, n)
		case holds[kind]:
			m.out.keep(at, head)
			err = m.boxes(at+head, at+n, depth+1)
		case keeps[kind]:
			m.out.keep(at, n)
		default:
			m.free(at, head, n)
		}
		if err != nil {
			return err
		}
		at += n
	}
	return nil
}

// free puts free space in the place of a box.
func (m *mp4) free(at, head, n int64) {
	b := bytes.Clone(m.w.at(at, int(head)))
	if b == nil {
		return // the source failed, which whoever reads on sees
	}
	copy(b[4:], "free")
	m.out.put(b)
	m.out.blank(n - head)
}

// header reads how long the sound is and takes dates out.
func (m *mp4) header(kind string, at, head, n int64) error {
	if n > 256 {
		return errTorn
	}
	b := bytes.Clone(m.w.at(at, int(n)))
	if b == nil {
		return m.w.torn()
	}
	body := b[head:]
	if len(body) < 20 || body[0] == 1 && len(body) < 32 {
		return errTorn
	}
	be, dates := binary.BigEndian, body[4:12]
	scale, length := int64(be.Uint32(body[12:])), int64(be.Uint32(body[16:]))
	if body[0] == 1 {
		dates = body[4:20]
		scale, length = int64(be.Uint32(body[20:])), int64(be.Uint64(body[24:]))
	}
	if kind == "mvhd" && scale > 0 && length > 0 && float64(length)/float64(scale) < 1e6 {
		m.c.Length = time.Duration(float64(length) / float64(scale) * float64(time.Second))
	}
	if m.o.Nameless {
		clear(dates)
	}
	m.out.put(b)
	return nil
}

// handler says what a track is of, and is called something, which goes.
func (m *mp4) handler(at, head, n int64) error {
	b := bytes.Clone(m.w.at(at, int(min(n, 1<<16))))
	if b == nil || n > 1<<16 || n < head+20 {
		return m.w.torn()
	}
	switch kind := string(b[head+8 : head+12]); {
	case string(b[head+4:head+8]) == "dhlr":
		// How the file of QuickTime's ancestors says where its data is.
	case kind == "soun":
		m.sounds++
	case kind == "vide", kind == "pict", kind == "auxv":
		return errFilm
	default:
		return refuse("this file holds more than sound: send the sound alone")
	}
	clear(b[min(head+24, n):])
	m.out.put(b)
	return nil
}
