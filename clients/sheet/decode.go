package sheet

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"strings"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"
)

// decode returns the text of r as UTF-8 without a byte order mark.
func decode(r io.Reader, encoding string) (io.Reader, error) {
	b := bufio.NewReader(r)
	mark, _ := b.Peek(3) // a short file has a short mark; reading says the rest
	wide := bytes.HasPrefix(mark, []byte{0xff, 0xfe}) || bytes.HasPrefix(mark, []byte{0xfe, 0xff})
	switch strings.ToLower(encoding) {
	case "", "utf-8", "utf8":
		if wide {
			return fromWide(b), nil
		}
		if bytes.HasPrefix(mark, []byte("\xef\xbb\xbf")) {
			if _, err := b.Discard(3); err != nil {
				return nil, err
			}
		}
		return b, nil
	case "utf-16", "utf16":
		return fromWide(b), nil
	case "windows-1252", "cp1252", "latin1", "iso-8859-1":
		return transform.NewReader(b, charmap.Windows1252.NewDecoder()), nil
	}
	return nil, fmt.Errorf("encoding %q is not known; choose one of utf-8, utf-16, windows-1252", encoding)
}

func fromWide(r io.Reader) io.Reader {
	return transform.NewReader(r, unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewDecoder())
}
