package media

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/gif"
	"image/jpeg"
	"image/png"
	"testing"

	"github.com/stretchr/testify/require"
)

// secret stands wherever a file says something beside its picture or sound.
const secret = "SECRET-PLACE"

// latitude is the place in EXIF: three fractions, degrees, minutes and seconds.
var latitude = []byte{0, 0, 0, 33, 0, 0, 0, 1, 0, 0, 0, 51, 0, 0, 0, 1, 0, 0, 0x22, 0xb8, 0, 0, 0, 100}

// taken2026 is when the photo of the samples was taken.
const taken2026 = "2026:03:04 15:00:00"

// camera makes EXIF as a camera writes it, big-endian: which way is up, a
// maker, when, and where.
func camera(orientation int) []byte {
	be := binary.BigEndian
	b := []byte("MM\x00*\x00\x00\x00\x08")
	entry := func(tag, typ uint16, count, value uint32) {
		b = be.AppendUint32(be.AppendUint32(be.AppendUint16(be.AppendUint16(b, tag), typ), count), value)
	}
	b = be.AppendUint16(b, 4) // 8: to 62
	entry(0x010f, 2, uint32(len(secret)+1), 120)
	entry(0x0112, 3, 1, uint32(orientation)<<16)
	entry(0x8769, 4, 1, 62)
	entry(0x8825, 4, 1, 80)
	b = be.AppendUint32(b, 0)
	b = be.AppendUint16(b, 1) // 62: to 80
	entry(0x9003, 2, 20, 140)
	b = be.AppendUint32(b, 0)
	b = be.AppendUint16(b, 2) // 80: to 110
	entry(1, 2, 2, uint32('S')<<24)
	entry(2, 5, 3, 170)
	b = be.AppendUint32(b, 0)
	pad := func(to int) { b = append(b, make([]byte, to-len(b))...) }
	pad(120)
	b = append(append(b, secret...), 0)
	pad(140)
	b = append(append(b, taken2026...), 0)
	pad(170)
	return append(b, latitude...)
}

// scene is a picture whose corners differ: red, green, blue, white.
func scene(w, h int) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.NRGBA{R: 255, A: 255}
			switch {
			case y >= h/2 && x >= w/2:
				c = color.NRGBA{R: 255, G: 255, B: 255, A: 255}
			case y >= h/2:
				c = color.NRGBA{B: 255, A: 255}
			case x >= w/2:
				c = color.NRGBA{G: 255, A: 255}
			}
			img.SetNRGBA(x, y, c)
		}
	}
	return img
}

func segment(marker byte, body string) []byte {
	return append(binary.BigEndian.AppendUint16([]byte{0xff, marker}, uint16(len(body)+2)), body...)
}

// plainJPEG is a JPEG that says nothing.
func plainJPEG(t testing.TB, w, h int) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, scene(w, h), &jpeg.Options{Quality: 90}))
	return b.Bytes()
}

// phoneJPEG is a JPEG as a phone makes it: with everything it knows.
func phoneJPEG(t testing.TB, w, h, orientation int) []byte {
	t.Helper()
	plain := plainJPEG(t, w, h)
	out := append([]byte{}, plain[:2]...)
	out = append(out, segment(0xe0, "JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x02\x02"+secret)...)
	out = append(out, segment(0xe0, "JFXX\x00\x10"+secret)...)
	out = append(out, segment(0xe1, "Exif\x00\x00"+string(camera(orientation)))...)
	out = append(out, segment(0xe1, "http://ns.adobe.com/xap/1.0/\x00<x>"+secret+"</x>")...)
	out = append(out, segment(0xe2, "ICC_PROFILE\x00\x01\x01profile")...)
	out = append(out, segment(0xe2, "MPF\x00"+secret)...)
	out = append(out, segment(0xed, "Photoshop 3.0\x00"+secret)...)
	out = append(out, segment(0xfe, secret)...)
	out = append(out, plain[2:]...)
	// The second picture of a phone, and a trailer.
	return append(append(out, phoneTail(t)...), secret...)
}

func phoneTail(t testing.TB) []byte {
	return append([]byte{0xff, 0xd8}, append(segment(0xe1, "Exif\x00\x00"+string(camera(1))), plainJPEG(t, 8, 8)[2:]...)...)
}

func chunk(kind, body string) []byte {
	b := append(binary.BigEndian.AppendUint32(nil, uint32(len(body))), kind+body...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}

func richPNG(t testing.TB, orientation int) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, scene(40, 20)))
	plain := b.Bytes()
	out := append([]byte{}, plain[:33]...) // mark and IHDR
	for _, c := range [][2]string{{"tEXt", "Comment\x00" + secret}, {"iTXt", "XML:com.adobe.xmp\x00\x00\x00\x00\x00" + secret}, {"zTXt", "a\x00\x00" + secret},
		{"tIME", "\x07\xea\x03\x04\x0f\x00\x00"}, {"eXIf", string(camera(orientation))}, {"prVt", secret}, {"gAMA", "\x00\x00\xb1\x8f"}} {
		out = append(out, chunk(c[0], c[1])...)
	}
	return append(append(out, plain[33:]...), secret...)
}

// tinyWebP is one pixel, lossless.
const tinyWebP = "VP8L\x0d\x00\x00\x00\x2f\x00\x00\x00\x10\x07\x10\x11\x11\x88\x88\xfe\x07\x00"

func riff(kind string, chunks ...string) []byte {
	body := kind
	for _, c := range chunks {
		body += c
	}
	return append(binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(len(body))), body...)
}

func riffChunk(kind, body string) string {
	out := string(binary.LittleEndian.AppendUint32([]byte(kind), uint32(len(body)))) + body
	if len(body)&1 == 1 {
		out += "\x00"
	}
	return out
}

func richWebP() []byte {
	return append(riff("WEBP", riffChunk("VP8X", "\x2c\x00\x00\x00\x00\x00\x00\x00\x00\x00"), riffChunk("ICCP", "profile"), tinyWebP,
		riffChunk("EXIF", string(camera(6))), riffChunk("XMP ", "<x>"+secret+"</x>"), riffChunk("prVt", secret)), secret...)
}

func richGIF(t testing.TB) []byte {
	t.Helper()
	p := image.NewPaletted(image.Rect(0, 0, 40, 20), color.Palette{color.White, color.Black, color.RGBA{R: 255, A: 255}})
	p.SetColorIndex(3, 3, 2)
	var b bytes.Buffer
	require.NoError(t, gif.EncodeAll(&b, &gif.GIF{Image: []*image.Paletted{p, p}, Delay: []int{5, 5}}))
	plain := b.Bytes()
	at := 13 + int(table(plain[10]))
	out := append([]byte{}, plain[:at]...)
	say := func(head string) {
		out = append(append(append(out, head...), byte(len(secret))), secret...)
		out = append(out, 0)
	}
	say("\x21\xfe")
	say("\x21\xff\x0bXMP DataXMP")
	say("\x21\xff\x0bNETSCAPE2.0")
	say("\x21\x01\x0c000000000000")
	return append(append(out, plain[at:]...), secret...)
}

func richWAV(rate uint32, declared int) []byte {
	le := binary.LittleEndian
	format := string(le.AppendUint16(le.AppendUint16(le.AppendUint32(le.AppendUint32(le.AppendUint16(le.AppendUint16(nil, 1), 1), rate), 2*rate), 2), 16))
	data := make([]byte, 2*rate)
	for i := range data {
		data[i] = byte(i * 7)
	}
	samples := riffChunk("data", string(data))
	if declared >= 0 {
		samples = "data" + string(le.AppendUint32(nil, uint32(declared))) + string(data)
		return riff("WAVE", riffChunk("fmt ", format), samples)
	}
	return riff("WAVE", riffChunk("LIST", "INFOICMT"+secret), riffChunk("fmt ", format), riffChunk("bext", secret+"!"), samples, riffChunk("id3 ", secret))
}

func mp3Frames(n int) []byte {
	// MPEG 1, layer III, 128 kbit/s, 44,100 Hz: 417 bytes.
	var out []byte
	for i := range n {
		f := make([]byte, 417)
		copy(f, "\xff\xfb\x90\x64")
		f[100] = byte(i)
		out = append(out, f...)
	}
	return out
}

func richMP3() []byte {
	id3 := "ID3\x04\x00\x00\x00\x00\x00" + string(rune(len(secret)+20)) + secret + "01234567890123456789"
	ape := "APETAGEX\xd0\x07\x00\x00" + string(binary.LittleEndian.AppendUint32(nil, 60)) + "\x01\x00\x00\x00\x00\x00\x00\xa0" + "12345678" + secret + string(make([]byte, 48))
	out := append([]byte(id3), mp3Frames(20)...)
	out = append(append(out, secret...), mp3Frames(20)...)
	out = append(out, ape...)
	return append(append(append(out, "TAG"...), secret...), make([]byte, 113)...)
}

// ogg makes a page.
func ogg(flags byte, granule, serial, sequence int, lacing []byte, body string) []byte {
	le := binary.LittleEndian
	b := append([]byte("OggS\x00"), flags)
	b = le.AppendUint32(le.AppendUint32(le.AppendUint64(b, uint64(granule)), uint32(serial)), uint32(sequence))
	b = append(le.AppendUint32(b, 0), byte(len(lacing)))
	b = append(append(b, lacing...), body...)
	le.PutUint32(b[22:], oggSum(b))
	return b
}

func laced(n int) []byte {
	return append(bytes.Repeat([]byte{255}, n/255), byte(n%255))
}

func richOpus() []byte {
	head := "OpusHead\x01\x01\x38\x01\x80\xbb\x00\x00\x00\x00\x00"
	note := "LOCATION=" + secret
	tags := "OpusTags" + text32("libopus") + "\x01\x00\x00\x00" + text32(note+string(bytes.Repeat([]byte(secret), 40)))
	// The comments lie in two pages.
	split := 255
	out := ogg(2, 0, 7, 0, []byte{19}, head)
	out = append(out, ogg(0, 0, 7, 1, []byte{255}, tags[:split])...)
	out = append(out, ogg(1, 0, 7, 2, laced(len(tags)-split), tags[split:])...)
	return append(out, ogg(4, 48000*3+312, 7, 3, []byte{3, 3}, "\xfc\xff\xfe\xfc\xff\xfe")...)
}

func richVorbis() []byte {
	head := "\x01vorbis\x00\x00\x00\x00\x01\x44\xac\x00\x00" + string(make([]byte, 12)) + "\xb8\x01"
	tags := "\x03vorbis" + text32("libVorbis") + "\x01\x00\x00\x00" + text32("TITLE="+secret) + "\x01"
	setup := "\x05vorbis" + string(make([]byte, 300))
	out := ogg(2, 0, 9, 0, laced(len(head)), head)
	out = append(out, ogg(0, 0, 9, 1, append(laced(len(tags)), laced(len(setup))...), tags+setup)...)
	return append(out, ogg(4, 88200, 9, 2, []byte{4}, "abcd")...)
}

func text32(s string) string {
	return string(binary.LittleEndian.AppendUint32(nil, uint32(len(s)))) + s
}

// el makes an element of EBML; eight bytes of length are allowed everywhere.
func el(id string, parts ...string) string {
	body := ""
	for _, p := range parts {
		body += p
	}
	return id + string(binary.BigEndian.AppendUint64(nil, 1<<56|uint64(len(body)))) + body
}

func richWebM(trackType string) []byte {
	head := el("\x1a\x45\xdf\xa3", el("\x42\x82", "webm"))
	info := el("\x15\x49\xa9\x66", el("\x2a\xd7\xb1", "\x0f\x42\x40"), el("\x44\x89", "\x45\x1c\x40\x00"), el("\x7b\xa9", secret), el("\x44\x61", "SECRET-P"))
	tracks := el("\x16\x54\xae\x6b", el("\xae", el("\xd7", "\x01"), el("\x83", trackType), el("\x53\x6e", secret), el("\x86", "A_OPUS")))
	tags := el("\x12\x54\xc3\x67", el("\x73\x73", secret+string(make([]byte, 200))))
	cover := el("\x19\x41\xa4\x69", secret)
	// An open cluster, as a recorder writes it, and one of known length.
	open := "\x1f\x43\xb6\x75\x01\xff\xff\xff\xff\xff\xff\xff" + el("\xe7", "\x00") + el("\xa3", "\x81\x00\x00\x80sound")
	shut := el("\x1f\x43\xb6\x75", el("\xe7", "\x01"), el("\xa3", "\x81\x00\x00\x80noise"))
	return []byte(head + "\x18\x53\x80\x67\x01\xff\xff\xff\xff\xff\xff\xff" + info + tracks + open + tags + cover + shut)
}

func box(kind string, parts ...string) string {
	body := ""
	for _, p := range parts {
		body += p
	}
	return string(binary.BigEndian.AppendUint32(nil, uint32(len(body)+8))) + kind + body
}

func richM4A(handler string) []byte {
	n := func(v uint32) string { return string(binary.BigEndian.AppendUint32(nil, v)) }
	dates := "\xe5\xcd\x01\x02\xe5\xcd\x01\x02"
	hdlr := func(kind string) string { return box("hdlr", n(0)+n(0)+kind+n(0)+n(0)+n(0)+secret) }
	stbl := box("stbl", box("stsd", n(0)+n(0)), box("stco", n(0)+n(1)+n(600)))
	trak := box("trak", box("tkhd", n(0)+dates+n(1)+n(0)+n(5000)+string(make([]byte, 60))),
		box("mdia", box("mdhd", n(0)+dates+n(1000)+n(5000)+n(0)), hdlr(handler), box("minf", box("smhd", n(0)+n(0)), stbl)),
		box("udta", box("name", secret)))
	moov := box("moov", box("mvhd", n(0)+dates+n(1000)+n(5000)+string(make([]byte, 80))), trak,
		box("udta", box("\xa9xyz", "\x00\x12\x15\xc7-33.8568+151.2153/"), box("loci", secret), box("meta", secret)))
	return []byte(box("ftyp", "M4A \x00\x00\x00\x00") + moov + box("uuid", "0123456789abcdef"+secret) + box("meta", secret) + box("mdat", "samples"))
}

// samples are files that say as much as they can, by media type.
func samples(t testing.TB) map[string][]byte {
	return map[string][]byte{
		"image/jpeg": phoneJPEG(t, 40, 20, 6), "image/png": richPNG(t, 6), "image/webp": richWebP(), "image/gif": richGIF(t),
		"audio/wav": richWAV(8000, -1), "audio/mpeg": richMP3(), "audio/ogg": richOpus(), "audio/ogg vorbis": richVorbis(),
		"audio/webm": richWebM("\x02"), "audio/mp4": richM4A("soun"),
	}
}
