package media

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/image/webp"
)

func clean(t testing.TB, b []byte, o Options) (*Cleaned, []byte, error) {
	t.Helper()
	c, err := Clean(section(b), o)
	if err != nil {
		return nil, nil, err
	}
	out, err := io.ReadAll(c.Reader())
	require.NoError(t, err)
	require.EqualValues(t, c.Size(), len(out))
	return c, out, nil
}

func section(b []byte) *io.SectionReader {
	return io.NewSectionReader(bytes.NewReader(b), 0, int64(len(b)))
}

// TestClean wants nothing left of what a file says beside its picture or sound,
// byte by byte, whatever its form, and the same bytes when it is cleaned again.
func TestClean(t *testing.T) {
	t.Parallel()
	for name, b := range samples(t) {
		mediaType := strings.Fields(name)[0]
		require.True(t, bytes.Contains(b, []byte(secret)) || bytes.Contains(b, latitude), name)
		for _, o := range []Options{{}, {Nameless: true}, {Nameless: true, KeepLocation: true}} {
			c, out, err := clean(t, b, o)
			require.NoError(t, err, name)
			require.Equal(t, mediaType, c.Type)
			require.False(t, c.Located)
			for what, mark := range map[string][]byte{"words": []byte(secret), "words cut short": []byte("SECRET-P"), "a place": latitude, "degrees": latitude[:16], "a place of ISO 6709": []byte("-33.8568")} {
				require.NotContains(t, string(out), string(mark), "%s: %s is still there", name, what)
			}
			if o.Nameless {
				require.NotContains(t, string(out), taken2026, "%s: when is still there", name)
				require.NotContains(t, string(out), "\xe5\xcd\x01\x02", "%s: when is still there", name)
			}
			_, again, err := clean(t, out, o)
			require.NoError(t, err, name)
			require.True(t, bytes.Equal(out, again), "%s: what is clean stays as it is", name)
		}
	}
}

// TestClean_picture wants the picture itself untouched: the same pixels, which
// way is up, and the colour profile.
func TestClean_picture(t *testing.T) {
	t.Parallel()
	b := phoneJPEG(t, 400, 200, 6)
	c, out, err := clean(t, b, Options{})
	require.NoError(t, err)
	require.Contains(t, string(out), "ICC_PROFILE\x00\x01\x01profile")
	require.Contains(t, string(out), taken2026, "when it was taken stays")
	require.Equal(t, exif{orientation: 6, taken: taken2026}, readExif(out[bytes.Index(out, []byte("Exif\x00\x00"))+6:]))
	require.Equal(t, [2]int{200, 400}, [2]int{c.Width, c.Height}, "as it is looked at")
	before, err := jpeg.Decode(bytes.NewReader(b))
	require.NoError(t, err)
	after, err := jpeg.Decode(bytes.NewReader(out))
	require.NoError(t, err)
	require.Equal(t, before, after)

	b = richPNG(t, 3)
	_, out, err = clean(t, b, Options{Nameless: true})
	require.NoError(t, err)
	before, err = png.Decode(bytes.NewReader(b))
	require.NoError(t, err)
	after, err = png.Decode(bytes.NewReader(out))
	require.NoError(t, err)
	require.Equal(t, before, after)
	at := bytes.Index(out, []byte("eXIf"))
	require.Equal(t, exif{orientation: 3}, readExif(out[at+4:]))

	_, out, err = clean(t, richWebP(), Options{})
	require.NoError(t, err)
	_, err = webp.Decode(bytes.NewReader(out))
	require.NoError(t, err)
	require.EqualValues(t, len(out)-8, binary.LittleEndian.Uint32(out[4:]))
	require.EqualValues(t, 0x28, out[20], "the flags say what is there: profile and EXIF")
}

// TestClean_location keeps EXIF whole when asked to, and says so.
func TestClean_location(t *testing.T) {
	t.Parallel()
	for name, b := range map[string][]byte{"image/jpeg": phoneJPEG(t, 40, 20, 1), "image/png": richPNG(t, 1), "image/webp": richWebP()} {
		c, out, err := clean(t, b, Options{KeepLocation: true})
		require.NoError(t, err)
		require.True(t, c.Located, name)
		require.Contains(t, string(out), string(latitude), name)
		require.NotContains(t, string(out), "<x>", "%s: but nothing else", name)
	}
	c, _, err := clean(t, plainJPEG(t, 40, 20), Options{KeepLocation: true})
	require.NoError(t, err)
	require.False(t, c.Located, "there was none to keep")
	c, out, err := clean(t, richM4A("soun"), Options{KeepLocation: true})
	require.NoError(t, err)
	require.False(t, c.Located)
	require.NotContains(t, string(out), "-33.8568", "of sound no place is kept")
}

// TestClean_sound wants the sound untouched and its length read.
func TestClean_sound(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]struct {
		length time.Duration
		keeps  []string
	}{
		"audio/wav":        {time.Second, []string{"data"}},
		"audio/mpeg":       {40 * 1152 * time.Second / 44100, []string{"\xff\xfb\x90\x64"}},
		"audio/ogg":        {3 * time.Second, []string{"OpusHead", "\xfc\xff\xfe\xfc\xff\xfe"}},
		"audio/ogg vorbis": {2 * time.Second, []string{"\x05vorbis", "abcd"}},
		"audio/webm":       {2500 * time.Millisecond, []string{"A_OPUS", "sound", "noise"}},
		"audio/mp4":        {5 * time.Second, []string{"stco", "samples"}},
	} {
		b := samples(t)[name]
		c, out, err := clean(t, b, Options{})
		require.NoError(t, err, name)
		require.InDelta(t, want.length, c.Length, float64(time.Millisecond), name)
		for _, part := range want.keeps {
			require.Contains(t, string(out), part, name)
		}
		if strings.HasPrefix(name, "audio/ogg") || name == "audio/webm" || name == "audio/mp4" {
			require.Len(t, out, len(b), "%s: nothing moves", name)
		}
	}
	// A recorder that never came to write the length.
	for _, declared := range []int{0, 1<<32 - 1, 1 << 30} {
		c, out, err := clean(t, richWAV(8000, declared), Options{})
		require.NoError(t, err)
		require.Equal(t, time.Second, c.Length)
		require.EqualValues(t, 16000, binary.LittleEndian.Uint32(out[40:]))
	}
}

// TestClean_seals wants pages of Ogg to carry the checksum of what they hold.
func TestClean_seals(t *testing.T) {
	t.Parallel()
	for _, b := range [][]byte{richOpus(), richVorbis()} {
		_, out, err := clean(t, b, Options{})
		require.NoError(t, err)
		w := newWindow(section(out))
		for at := int64(0); at < int64(len(out)); {
			p, err := w.page(at)
			require.NoError(t, err)
			page := bytes.Clone(out[at : at+p.size])
			want := binary.LittleEndian.Uint32(page[22:])
			clear(page[22:26])
			require.Equal(t, want, oggSum(page))
			at += p.size
		}
	}
	// From the page of the Ogg test vector in RFC 3533's reference code: the
	// checksum of nothing is nothing, and of one byte it is the table.
	require.Zero(t, oggSum(nil))
	require.EqualValues(t, 0x04c11db7, oggSum([]byte{1}))
}

// TestRefusals wants each file that is not taken refused in words that say what
// to send.
func TestRefusals(t *testing.T) {
	t.Parallel()
	photo := plainJPEG(t, 40, 20)
	for name, c := range map[string]struct{ file, words string }{
		"nothing":              {"", "empty"},
		"words":                {"The chipper started by itself.", "JPEG, PNG, WebP or GIF"},
		"PDF":                  {"%PDF-1.7\n", "JPEG"},
		"a program":            {"\x7fELF\x02\x01\x01", "JPEG"},
		"a page":               {"<!doctype html><script>alert(1)</script>", "JPEG"},
		"a drawing":            {`<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>`, "JPEG"},
		"TIFF":                 {"II*\x00\x08\x00\x00\x00", "JPEG"},
		"BMP":                  {"BM\x00\x00\x00\x00", "JPEG"},
		"HEIC":                 {"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic", "HEIC"},
		"AVIF":                 {"\x00\x00\x00\x1cftypavif\x00\x00\x00\x00", "save or share it as a JPEG"},
		"AVI":                  {"RIFF\x00\x00\x00\x00AVI LIST", "JPEG"},
		"AAC":                  {"\xff\xf1\x50\x80\x00\x1f\xfc\x00\x00\x00\x00\x00", "JPEG"},
		"FLAC":                 {"fLaC\x00\x00\x00\x22", "JPEG"},
		"FLAC in Ogg":          {string(ogg(2, 0, 1, 0, []byte{13}, "\x7fFLAC\x01\x00\x00\x01fLaC")), "Opus or Vorbis"},
		"film in Ogg":          {string(ogg(2, 0, 1, 0, []byte{8}, "\x80theora\x03")), "film"},
		"film in WebM":         {string(richWebM("\x01")), "film"},
		"words in WebM":        {string(richWebM("\x11")), "more than sound"},
		"film in MP4":          {string(richM4A("vide")), "film"},
		"a way in MP4":         {string(richM4A("meta")), "more than sound"},
		"moving WebP":          {string(riff("WEBP", riffChunk("VP8X", "\x02\x00\x00\x00\x00\x00\x00\x00\x00\x00"))), "film"},
		"half a photo":         {string(photo[:len(photo)/2]), "torn"},
		"a photo without end":  {string(photo[:len(photo)-2]), "torn"},
		"a photo of nothing":   {"\xff\xd8\xff\xd9", "cannot be opened"},
		"only its first bytes": {"\xff\xd8\xff", "torn"},
		"half a PNG":           {string(richPNG(t, 1)[:60]), "torn"},
		"a PNG without image":  {pngMark + string(chunk("IHDR", "\x00\x00\x00\x01\x00\x00\x00\x01\x08\x02\x00\x00\x00")) + string(chunk("IEND", "")), ""},
		"half a sound":         {string(richOpus()[:90]), "torn"},
		"a sound of nothing":   {string(riff("WAVE")), "torn"},
		"one frame":            {string(mp3Frames(1)), ""},
		"only a tag":           {"ID3\x04\x00\x00\x00\x00\x00\x05hello", "torn"},
	} {
		_, err := Clean(section([]byte(c.file)), Options{})
		if name == "a PNG without image" {
			// Its header is fine; it does not open.
			cl, err2 := Clean(section([]byte(c.file)), Options{})
			require.NoError(t, err2)
			_, _, err = cl.Draw()
		}
		var r *Refusal
		require.ErrorAs(t, err, &r, name)
		require.Contains(t, r.Words, c.words, name)
	}
}

// TestBombs wants pictures that unfold to more than they may refused before
// they are opened.
func TestBombs(t *testing.T) {
	t.Parallel()
	head := func(w, h uint32, depth, colour, interlace byte) []byte {
		be := binary.BigEndian
		b := be.AppendUint32(be.AppendUint32(nil, w), h)
		return append([]byte(pngMark), append(chunk("IHDR", string(append(b, depth, colour, 0, 0, interlace))), append(chunk("IDAT", "x"), chunk("IEND", "")...)...)...)
	}
	frame := func(marker byte, w, h uint16, parts string) []byte {
		be := binary.BigEndian
		b := be.AppendUint16(be.AppendUint16([]byte{8}, h), w)
		return append(append([]byte{0xff, 0xd8}, segment(marker, string(b)+parts)...), append(segment(0xda, "\x01\x01\x00\x00\x3f\x00"), 0xff, 0xd9)...)
	}
	ycc := "\x03\x01\x22\x00\x02\x11\x01\x03\x11\x01"
	full := "\x03\x01\x11\x00\x02\x11\x01\x03\x11\x01"
	canvas := func(w, h int) []byte {
		p := richGIF(t)
		binary.LittleEndian.PutUint16(p[6:], uint16(w))
		binary.LittleEndian.PutUint16(p[8:], uint16(h))
		return p
	}
	for name, b := range map[string][]byte{
		"PNG of 60 megapixels":           head(10000, 6000, 8, 2, 0),
		"PNG of 2^31 by 2^31":            head(1<<31-1, 1<<31-1, 8, 2, 0),
		"PNG of 2^32":                    head(1<<32-1, 2, 1, 0, 0),
		"PNG of 16 bits":                 head(7000, 5000, 16, 6, 0),
		"PNG that is interlaced":         head(7000, 5000, 8, 6, 1),
		"JPEG of 65,535 by 65,535":       frame(0xc0, 65535, 65535, ycc),
		"progressive JPEG of 30 million": frame(0xc2, 6000, 5000, ycc),
		"progressive JPEG, all colour":   frame(0xc2, 4500, 3300, full),
		"RGB JPEG of 48 million":         frame(0xc0, 8000, 6000, "\x03R\x11\x00G\x11\x00B\x11\x00"),
		"GIF of 65,535 by 65,535":        canvas(65535, 65535),
	} {
		_, err := Clean(section(b), Options{})
		var r *Refusal
		require.ErrorAs(t, err, &r, name)
		require.NotContains(t, r.Words, "torn", name)
	}
	// What phones make is taken: 48 and 50 million pixels as they write them.
	for name, b := range map[string][]byte{"48 million": frame(0xc0, 8000, 6000, ycc), "12 million, progressive": frame(0xc2, 4000, 3000, ycc)} {
		_, err := Clean(section(b), Options{})
		require.NoError(t, err, name)
	}
}

// TestDraw draws what is looked at: upright, no larger than it may be, and
// never larger than it is.
func TestDraw(t *testing.T) {
	t.Parallel()
	// The colours at the corners of scene after turning: 1 to 8, clockwise
	// from the top left. Exif 2.32, 4.6.4, Orientation.
	red, green, blue, white := color.RGBA{255, 0, 0, 255}, color.RGBA{0, 255, 0, 255}, color.RGBA{0, 0, 255, 255}, color.RGBA{255, 255, 255, 255}
	corners := [9][4]color.RGBA{
		1: {red, green, white, blue}, 2: {green, red, blue, white}, 3: {white, blue, red, green}, 4: {blue, white, green, red},
		5: {red, blue, white, green}, 6: {blue, red, green, white}, 7: {white, green, red, blue}, 8: {green, white, blue, red},
	}
	for o := 1; o <= 8; o++ {
		c, _, err := clean(t, phoneJPEG(t, 3200, 1000, o), Options{})
		require.NoError(t, err)
		display, small, err := c.Draw()
		require.NoError(t, err)
		want := [2]int{1600, 500}
		if o >= 5 {
			want = [2]int{500, 1600}
		}
		require.Equal(t, want, [2]int{display.Width, display.Height}, "orientation %d", o)
		require.Equal(t, want[0]/5, small.Width)
		for _, d := range []Drawing{display, small} {
			img, err := jpeg.Decode(bytes.NewReader(d.JPEG))
			require.NoError(t, err)
			require.Equal(t, image.Rect(0, 0, d.Width, d.Height), img.Bounds())
			for i, p := range []image.Point{{d.Width / 8, d.Height / 8}, {d.Width * 7 / 8, d.Height / 8}, {d.Width * 7 / 8, d.Height * 7 / 8}, {d.Width / 8, d.Height * 7 / 8}} {
				near(t, corners[o][i], img.At(p.X, p.Y), "orientation %d, corner %d", o, i)
			}
			require.NotContains(t, string(d.JPEG), "Exif")
			require.NotContains(t, string(d.JPEG), "ICC_PROFILE")
		}
	}
	for _, size := range [][2]int{{1, 1}, {1, 5000}, {5000, 1}, {320, 320}, {321, 200}, {1601, 7}, {4801, 3}} {
		c, _, err := clean(t, plainJPEG(t, size[0], size[1]), Options{})
		require.NoError(t, err)
		display, small, err := c.Draw()
		require.NoError(t, err)
		require.Equal(t, min(1600, max(size[0], size[1])), max(display.Width, display.Height), "%v", size)
		require.Equal(t, min(320, max(size[0], size[1])), max(small.Width, small.Height), "%v", size)
	}
}

func near(t *testing.T, want color.RGBA, got color.Color, words string, args ...any) {
	t.Helper()
	r, g, b, _ := got.RGBA()
	for _, d := range [][2]int{{int(want.R), int(r >> 8)}, {int(want.G), int(g >> 8)}, {int(want.B), int(b >> 8)}} {
		// What JPEG does to a flat colour.
		require.InDelta(t, d[0], d[1], 6, append([]any{words}, args...)...)
	}
}

// TestDraw_transparent draws on white.
func TestDraw_transparent(t *testing.T) {
	t.Parallel()
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, image.NewNRGBA(image.Rect(0, 0, 2000, 10))))
	c, _, err := clean(t, b.Bytes(), Options{})
	require.NoError(t, err)
	display, _, err := c.Draw()
	require.NoError(t, err)
	img, err := jpeg.Decode(bytes.NewReader(display.JPEG))
	require.NoError(t, err)
	near(t, color.RGBA{255, 255, 255, 255}, img.At(5, 5), "white")
}

// FuzzClean wants every file either refused or cleaned to one that cleans to
// itself, and drawn or refused; nothing panics.
func FuzzClean(f *testing.F) {
	for _, b := range samples(f) {
		f.Add(b, false)
		f.Add(b[:len(b)*2/3], true)
	}
	f.Add(plainJPEG(f, 16, 16), true)
	f.Fuzz(func(t *testing.T, b []byte, nameless bool) {
		o := Options{Nameless: nameless}
		c, out, err := clean(t, b, o)
		if err != nil {
			var r *Refusal
			require.ErrorAs(t, err, &r)
			require.NotEmpty(t, r.Words)
			return
		}
		require.LessOrEqual(t, c.Memory(), int64(MostMemory+aside))
		c2, again, err := clean(t, out, o)
		require.NoError(t, err, "what was cleaned is no file any more")
		require.True(t, bytes.Equal(out, again), "what is clean changes when it is cleaned again")
		require.Equal(t, c.Type, c2.Type)
		if c.Kind != Photo || c.cost > 1<<22 {
			return
		}
		display, small, err := c.Draw()
		if err != nil {
			var r *Refusal
			require.ErrorAs(t, err, &r)
			return
		}
		for _, d := range []Drawing{display, small} {
			_, err := jpeg.Decode(bytes.NewReader(d.JPEG))
			require.NoError(t, err)
		}
	})
}
