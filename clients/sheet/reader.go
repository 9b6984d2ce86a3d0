package sheet

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// MaxRow is the longest row that is read, in bytes.
const MaxRow = 1 << 20

// Options say how a file is written. The zero Options fit most files.
type Options struct {
	// Delimiter is the rune between cells; 0 finds it from the header.
	Delimiter rune
	// Encoding is `utf-8`, `utf-16` or `windows-1252`; empty is utf-8, or
	// utf-16 when the file begins with its mark.
	Encoding string
}

// RowError says that one row cannot be read. Reading can go on.
type RowError struct {
	// Line is the first line of the row, counted from 1.
	Line int
	// Problem says what is wrong and what to do.
	Problem string
}

// Error names the line.
func (e *RowError) Error() string { return fmt.Sprintf("line %d: %s", e.Line, e.Problem) }

// Row is one row of the table.
type Row struct {
	// Line is the first line of the row, counted from 1.
	Line int
	// Cells are as many as the header has, trimmed of space at both ends.
	Cells []string
}

// Reader reads rows.
type Reader struct {
	in     *bufio.Reader
	delim  byte
	header []string

	line    int        // lines taken from in
	pending []textLine // lines to be read again
	split   splitter
}

type textLine struct {
	number int
	text   []byte
	tooBig bool
}

// New reads the header of a table. An error says what is wrong with the file
// as a whole and what to do about it.
func New(r io.Reader, o Options) (*Reader, error) {
	in, err := decode(r, o.Encoding)
	if err != nil {
		return nil, err
	}
	d := &Reader{in: bufio.NewReaderSize(in, 64<<10)}
	if o.Delimiter != 0 {
		if !strings.ContainsRune(",;\t|", o.Delimiter) {
			return nil, fmt.Errorf("delimiter %q is not one that can be read; use one of , ; tab |", o.Delimiter)
		}
		d.delim = byte(o.Delimiter)
	}
	if err := d.readHeader(); err != nil {
		return nil, err
	}
	return d, nil
}

// Header returns the names of the columns, trimmed.
func (d *Reader) Header() []string { return d.header }

// Delimiter returns the rune between cells, as given or found.
func (d *Reader) Delimiter() rune { return rune(d.delim) }

// Column returns the index of a column by its exact name, or -1.
func (d *Reader) Column(name string) int {
	for i, h := range d.header {
		if h == name {
			return i
		}
	}
	return -1
}

func (d *Reader) readHeader() error {
	for {
		first, err := d.take()
		if errors.Is(err, io.EOF) {
			return errors.New("the file is empty; its first line must name the columns")
		}
		if err != nil {
			return fmt.Errorf("read the first line: %w", err)
		}
		text := bytes.TrimSpace(first.text)
		if len(text) == 0 {
			continue
		}
		// Spreadsheets write `sep=;` to tell themselves the delimiter.
		if rest, ok := bytes.CutPrefix(text, []byte("sep=")); ok && len(rest) <= 1 {
			if d.delim == 0 && len(rest) == 1 && strings.ContainsRune(",;\t|", rune(rest[0])) {
				d.delim = rest[0]
			}
			continue
		}
		d.pending = append(d.pending, first)
		if d.delim == 0 {
			d.delim = busiest(first.text)
		}
		row, err := d.record()
		var bad *RowError
		if errors.As(err, &bad) {
			return fmt.Errorf("the header (line %d): %s", bad.Line, bad.Problem)
		}
		if err != nil {
			return fmt.Errorf("read the header: %w", err)
		}
		for len(row.Cells) > 0 && row.Cells[len(row.Cells)-1] == "" {
			row.Cells = row.Cells[:len(row.Cells)-1]
		}
		if len(row.Cells) == 0 {
			return errors.New("the first line names no column; it must name them all")
		}
		d.header = append([]string(nil), row.Cells...)
		return nil
	}
}

// Next returns the next row that is not blank, a *RowError for a row that
// cannot be read, io.EOF at the end, or an error of the file itself.
func (d *Reader) Next() (Row, error) {
	for {
		row, err := d.record()
		if err != nil {
			return Row{}, err
		}
		n := len(row.Cells)
		for n > 0 && row.Cells[n-1] == "" {
			n--
		}
		if n == 0 {
			continue
		}
		switch want := len(d.header); {
		case n > want:
			return Row{}, &RowError{row.Line, fmt.Sprintf(
				"has %d cells, the header has %d; put a cell that contains the delimiter in quotation marks", n, want)}
		case len(row.Cells) < want:
			return Row{}, &RowError{row.Line, fmt.Sprintf(
				"has %d cells, the header has %d; look for a line break inside a cell without quotation marks", len(row.Cells), want)}
		default:
			row.Cells = row.Cells[:want]
			return row, nil
		}
	}
}

// record assembles one record from as many lines as its quotes span.
func (d *Reader) record() (Row, error) {
	first, err := d.take()
	if err != nil {
		return Row{}, err
	}
	d.split.reset(d.delim)
	lines := []textLine{first}
	size := 0
	for l := first; ; {
		size += len(l.text)
		if l.tooBig || size > MaxRow {
			d.again(lines[1:])
			return Row{}, &RowError{first.number, fmt.Sprintf(
				"is longer than %d KiB; look for a quotation mark that is never closed, or shorten the row", MaxRow>>10)}
		}
		if problem := unreadable(l.text); problem != "" {
			d.again(lines[1:])
			return Row{}, &RowError{first.number, problem}
		}
		switch d.split.feed(l.text) {
		case closed:
			return Row{Line: first.number, Cells: d.split.take()}, nil
		case malformed:
			d.again(lines[1:])
			return Row{}, &RowError{first.number,
				"has text after a closing quotation mark; write a quotation mark inside a quoted cell twice"}
		}
		l, err = d.take()
		if errors.Is(err, io.EOF) {
			d.again(lines[1:])
			return Row{}, &RowError{first.number, "has a quotation mark that is never closed; close it or take it out"}
		}
		if err != nil {
			return Row{}, err
		}
		lines = append(lines, l)
	}
}

// again puts lines back so that they are read as rows of their own.
func (d *Reader) again(lines []textLine) {
	if len(lines) > 0 {
		d.pending = append(append([]textLine(nil), lines...), d.pending...)
	}
}

// take returns the next line without its end.
func (d *Reader) take() (textLine, error) {
	if len(d.pending) > 0 {
		l := d.pending[0]
		d.pending = d.pending[1:]
		return l, nil
	}
	var text []byte
	tooBig := false
	for {
		part, err := d.in.ReadSlice('\n')
		if len(text)+len(part) > MaxRow+2 {
			// What is too long is refused anyway: forget it while
			// looking for its end.
			tooBig, text = true, nil
		} else if !tooBig {
			text = append(text, part...)
		}
		if errors.Is(err, bufio.ErrBufferFull) {
			continue
		}
		if err != nil && (!errors.Is(err, io.EOF) || (len(text) == 0 && !tooBig)) {
			return textLine{}, err
		}
		d.line++
		text = bytes.TrimSuffix(text, []byte("\n"))
		return textLine{number: d.line, text: bytes.TrimSuffix(text, []byte("\r")), tooBig: tooBig}, nil
	}
}

// unreadable says what is wrong with the bytes of a line, or nothing.
func unreadable(text []byte) string {
	switch {
	case bytes.IndexByte(text, 0) >= 0:
		return "holds zero bytes; if a spreadsheet wrote it, save it again as CSV UTF-8, or set the encoding to utf-16"
	case !utf8.Valid(text):
		return "holds bytes that are not UTF-8; save the file again as CSV UTF-8, or set the encoding to windows-1252"
	case bytes.IndexByte(text, '\r') >= 0:
		return "holds a lone carriage return; save the file again with ordinary line ends"
	}
	return ""
}

// busiest returns the delimiter that stands most often outside quotes in the
// header. A header of one column gives the comma.
func busiest(header []byte) byte {
	best, most := byte(','), 0
	for _, c := range []byte(",;\t|") {
		n, quoted := 0, false
		for _, b := range header {
			if b == '"' {
				quoted = !quoted
			}
			if b == c && !quoted {
				n++
			}
		}
		if n > most {
			best, most = c, n
		}
	}
	return best
}
