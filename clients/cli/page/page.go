package page

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Page is where an answer is written.
type Page struct {
	w *bufio.Writer
	// Width is how many columns there are.
	Width int
	// Bold is true when the reader is a terminal.
	Bold bool
	// ASCII is true when nothing else can be shown.
	ASCII bool
}

// New returns a page over w, 80 columns wide.
func New(w io.Writer) *Page { return &Page{w: bufio.NewWriter(w), Width: 80} }

// Flush writes what is held, and returns the first error of all writing.
func (p *Page) Flush() error { return p.w.Flush() }

// Linef writes one line. Values are cleaned; the format may hold bold.
func (p *Page) Linef(format string, args ...any) {
	for i, a := range args {
		switch a := a.(type) {
		case string:
			args[i] = p.plain(a)
		case fmt.Stringer:
			args[i] = p.plain(a.String())
		}
	}
	p.line(fmt.Sprintf(format, args...))
}

// Blank writes an empty line.
func (p *Page) Blank() { p.line("") }

// Heading writes a line that stands out, with an empty one before it.
func (p *Page) Heading(s string) {
	p.Blank()
	p.line(p.strong(p.plain(s)))
}

// Strong writes a paragraph that stands out on a terminal.
func (p *Page) Strong(s string) {
	for _, l := range wrap(p.plain(s), p.Width) {
		p.line(p.strong(l))
	}
}

// Para writes a text in lines no wider than the page, indented. Line breaks in
// it stay.
func (p *Page) Para(s string, indent int) {
	pad := strings.Repeat(" ", indent)
	for part := range strings.SplitSeq(p.plain(s), "\n") {
		for _, l := range wrap(part, p.Width-indent) {
			p.line(strings.TrimRight(pad+l, " "))
		}
	}
}

// Item writes a paragraph that begins with a hyphen.
func (p *Page) Item(s string) {
	for i, l := range wrap(p.plain(s), p.Width-4) {
		if i == 0 {
			p.line("  - " + l)
		} else {
			p.line("    " + l)
		}
	}
}

// Found writes a passage in which the words that were looked for stand out: in
// bold on a terminal, in [[double brackets]] elsewhere.
func (p *Page) Found(pieces []Piece, indent int) {
	const open, shut = '\x01', '\x02' // cannot occur: pieces are cleaned
	var b strings.Builder
	for _, x := range pieces {
		text := strings.Join(strings.FieldsFunc(p.plain(x.Text), func(r rune) bool { return r == '\n' }), " ")
		if x.Matched {
			text = string(open) + text + string(shut)
		}
		b.WriteString(text)
	}
	begin, end := "[[", "]]"
	if p.Bold {
		begin, end = "\x1b[1m", "\x1b[0m"
	}
	pad := strings.Repeat(" ", indent)
	bold := false
	for _, l := range wrap(b.String(), p.Width-indent) {
		// A match that goes over the end of a line is closed and opened.
		if bold {
			l = string(open) + l
		}
		bold = strings.Count(l, string(open)) > strings.Count(l, string(shut))
		if bold {
			l += string(shut)
		}
		p.line(pad + strings.NewReplacer(string(open), begin, string(shut), end).Replace(l))
	}
}

// Piece is a part of a passage.
type Piece struct {
	Text    string
	Matched bool
}

func (p *Page) line(s string) {
	// An error stays in the writer and comes out of Flush.
	_, _ = p.w.WriteString(s + "\n")
}

func (p *Page) strong(s string) string {
	if !p.Bold || s == "" {
		return s
	}
	return "\x1b[1m" + s + "\x1b[0m"
}

// plain cleans a text, and spells it in ASCII where that is all there is.
func (p *Page) plain(s string) string {
	s = Clean(s)
	if !p.ASCII {
		return s
	}
	return strings.Map(func(r rune) rune {
		if r < utf8.RuneSelf {
			return r
		}
		return '?'
	}, spell.Replace(s))
}

// spell writes the marks of this program's own sentences in ASCII.
var spell = strings.NewReplacer("–", "-", "—", "-", "’", "'", "‘", "'", "“", `"`, "”", `"`, "…", "...", "×", "x",
	"≥", ">=", "≤", "<=", "·", "-", "\u202f", " ", "\u2009", " ", "\u00a0", " ", "−", "-", "²", "2", "³", "3", "°", " deg")

// Clean takes out what could make a terminal do something: control characters
// and marks that turn the direction of writing. Line breaks stay, tabs become
// spaces.
func Clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n':
			return r
		case r == '\t':
			return ' '
		case unicode.IsControl(r), r >= 0x202a && r <= 0x202e, r >= 0x2066 && r <= 0x2069, r == utf8.RuneError:
			return -1
		}
		return r
	}, s)
}

// wrap breaks a line at spaces; a word longer than the width stands alone.
func wrap(s string, width int) []string {
	width = max(width, 1)
	var out []string
	line := ""
	for _, w := range strings.Fields(s) {
		switch {
		case line == "":
			line = w
		case wide(line)+1+wide(w) <= width:
			line += " " + w
		default:
			out, line = append(out, line), w
		}
	}
	return append(out, line)
}

// wide counts the columns of a text; marks of Found take none.
func wide(s string) int {
	n := 0
	for _, r := range s {
		if r > 2 && !unicode.Is(unicode.Mn, r) {
			n++
		}
	}
	return n
}
