package media

import (
	"bytes"
	"io"
	"time"
)

// Kind is what a file is for people.
type Kind int

// The two kinds that are taken.
const (
	Photo Kind = iota + 1
	Sound
)

// Refusal says in plain words why a file is not taken and what to send instead.
type Refusal struct{ Words string }

// Error implements error.
func (r *Refusal) Error() string { return "media: " + r.Words }

func refuse(words string) error { return &Refusal{words} }

// taken is what every refusal of a foreign file ends with.
const taken = "send a JPEG, PNG, WebP or GIF picture, or a WAV, MP3, Ogg (Opus or Vorbis), WebM, Matroska or M4A sound"

var (
	errEmpty   = refuse("the file is empty; choose it again")
	errForeign = refuse("this is not a photo or sound that is taken: " + taken)
	errTorn    = refuse("the file is torn or not what it says it is: open it where it was made, save it again, and send that")
	errFilm    = refuse("this is a film; only still pictures and sound are taken: send a picture out of it")
	errHEIC    = refuse("this is a HEIC or AVIF picture, which many machines cannot show: save or share it as a JPEG and send that")
)

// Options say what may stay in a file.
type Options struct {
	// KeepLocation keeps what a camera wrote into a photo (its EXIF) whole,
	// with the place.
	KeepLocation bool
	// Nameless leaves out also when a photo was taken: nobody may know who
	// told.
	Nameless bool
}

// Cleaned is a file without what it said beside its picture or sound.
type Cleaned struct {
	// Type is the media type, Kind what it is.
	Type string
	Kind Kind
	// Located says that the place that a camera wrote was kept.
	Located bool
	// Length is how long a sound is; 0 when the file does not say.
	Length time.Duration

	// Width and Height are those of a picture as it is looked at.
	Width, Height int

	// orientation is how the picture must be turned, 1 to 8 as in EXIF.
	orientation int
	// cost is about how many bytes of memory opening the picture takes; until
	// it is measured, of a WebP those for a pixel.
	cost int64
	out  *pieces
}

// Size is how many bytes are left.
func (c *Cleaned) Size() int64 { return c.out.size }

// Reader returns the bytes. It reads from the source, which must stay open.
func (c *Cleaned) Reader() io.Reader { return c.out.reader() }

// form is one form of file.
type form struct {
	mediaType string
	kind      Kind
	clean     func(src *io.SectionReader, o Options) (*Cleaned, error)
}

// Clean tells what a file is by its bytes and cleans it.
//
//   - JPEG keeps the image, the colour profile and the Adobe and JFIF marks.
//   - PNG keeps the image, palette, transparency and colour.
//   - WebP keeps the image and colour profile; GIF the frames and their timing.
//   - Of EXIF, in any of them, only which way is up and when it was taken stay,
//     the latter not with [Options.Nameless]; all of it with
//     [Options.KeepLocation].
//   - WAV keeps format and samples; MP3 the frames; Ogg, Matroska and MP4 keep
//     their layout, with comments, tags, titles, covers and dates filled with
//     nothing. Film, and any track that is not sound, is refused.
//
// What a photo shows and what a sound says stays: that is for people to judge.
// The error is a [Refusal] or one of reading src.
func Clean(src *io.SectionReader, o Options) (*Cleaned, error) {
	f, err := sniff(src)
	if err != nil {
		return nil, err
	}
	c, err := f.clean(src, o)
	if err != nil {
		return nil, err
	}
	if c.Type == "" {
		c.Type = f.mediaType
	}
	c.Kind = f.kind
	if c.out.err != nil {
		return nil, c.out.err
	}
	if c.Kind == Photo {
		if err := c.measure(); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// sniff tells the form of a file by how it begins.
func sniff(src *io.SectionReader) (form, error) {
	var head [64]byte
	n, err := src.ReadAt(head[:], 0)
	if err != nil && err != io.EOF {
		return form{}, err
	}
	h := head[:n]
	at := func(off int, text string) bool {
		return len(h) >= off+len(text) && string(h[off:off+len(text)]) == text
	}
	switch {
	case n == 0:
		return form{}, errEmpty
	case at(0, "\xff\xd8\xff"):
		return form{"image/jpeg", Photo, cleanJPEG}, nil
	case at(0, pngMark):
		return form{"image/png", Photo, cleanPNG}, nil
	case at(0, "RIFF") && at(8, "WEBP"):
		return form{"image/webp", Photo, cleanWebP}, nil
	case at(0, "GIF87a"), at(0, "GIF89a"):
		return form{"image/gif", Photo, cleanGIF}, nil
	case at(0, "RIFF") && at(8, "WAVE"):
		return form{"audio/wav", Sound, cleanWAV}, nil
	case at(0, "OggS"):
		return form{"audio/ogg", Sound, cleanOgg}, nil
	case at(0, "\x1a\x45\xdf\xa3"):
		return form{"audio/webm", Sound, cleanMatroska}, nil
	case at(4, "ftyp"):
		for _, brand := range []string{"heic", "heix", "heim", "heis", "hevc", "hevx", "mif1", "msf1", "avif", "avis"} {
			if at(8, brand) {
				return form{}, errHEIC
			}
		}
		return form{"audio/mp4", Sound, cleanMP4}, nil
	case at(0, "ID3"), isFrame(h):
		return form{"audio/mpeg", Sound, cleanMP3}, nil
	}
	return form{}, errForeign
}

// maxPieces bounds the memory that a file made of crumbs can take.
const maxPieces = 1 << 16

// pieces is a file made of parts of another and of bytes of its own.
type pieces struct {
	src  *io.SectionReader
	list []piece
	size int64
	err  error
}

type piece struct {
	own    []byte // when nil, n bytes of the source from off
	off, n int64  // off -1: n zeros
}

// keep adds n bytes of the source.
func (p *pieces) keep(off, n int64) {
	if n <= 0 {
		return
	}
	p.size += n
	if last := len(p.list) - 1; last >= 0 && p.list[last].own == nil && p.list[last].off >= 0 && p.list[last].off+p.list[last].n == off {
		p.list[last].n += n
		return
	}
	p.add(piece{off: off, n: n})
}

// put adds bytes of its own. They may still be changed by the caller.
func (p *pieces) put(own []byte) {
	if len(own) == 0 {
		return
	}
	p.size += int64(len(own))
	p.add(piece{own: own})
}

// blank adds n zeros.
func (p *pieces) blank(n int64) {
	if n <= 0 {
		return
	}
	p.size += n
	p.add(piece{off: -1, n: n})
}

func (p *pieces) add(x piece) {
	if len(p.list) == maxPieces {
		p.err = errTorn
		return
	}
	p.list = append(p.list, x)
}

func (p *pieces) reader() io.Reader {
	var all []io.Reader
	for _, x := range p.list {
		switch {
		case x.own != nil:
			all = append(all, bytes.NewReader(x.own))
		case x.off < 0:
			all = append(all, io.LimitReader(zeros{}, x.n))
		default:
			all = append(all, io.NewSectionReader(p.src, x.off, x.n))
		}
	}
	return io.MultiReader(all...)
}

// zeros is nothing without end.
type zeros struct{}

// Read implements io.Reader.
func (zeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }

// window reads a file forward, a stretch at a time.
type window struct {
	src   *io.SectionReader
	buf   []byte
	begin int64 // where buf stands
	err   error // of the source, other than its end
}

func newWindow(src *io.SectionReader) *window { return &window{src: src} }

// at returns n bytes from off, or nil when there are not so many. They are good
// until the next call.
func (w *window) at(off int64, n int) []byte {
	if off < 0 || n < 0 || off+int64(n) > w.src.Size() || w.err != nil {
		return nil
	}
	if off < w.begin || off+int64(n) > w.begin+int64(len(w.buf)) {
		if size := max(64<<10, n); cap(w.buf) < size {
			w.buf = make([]byte, size)
		}
		w.buf = w.buf[:cap(w.buf)]
		got, err := w.src.ReadAt(w.buf, off)
		if err != nil && err != io.EOF {
			w.err = err
			return nil
		}
		w.buf, w.begin = w.buf[:got], off
		if got < n {
			return nil
		}
	}
	from := off - w.begin
	return w.buf[from : from+int64(n) : from+int64(n)]
}

// torn is the error of a file that ends too early or makes no sense, or of the
// source, if that is why.
func (w *window) torn() error {
	if w.err != nil {
		return w.err
	}
	return errTorn
}
