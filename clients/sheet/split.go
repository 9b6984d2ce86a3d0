package sheet

import "strings"

// Where the splitter stands after a line.
type standing int

const (
	open      standing = iota // inside quotes: the record goes on
	closed                    // the record is whole
	malformed                 // no reading of the quotes makes sense
)

// splitter cuts a record into cells (RFC 4180), a line at a time, so that a
// record over many lines is looked at once only. A quotation mark in the
// middle of an unquoted cell (a 5" pipe) is taken as it stands.
type splitter struct {
	delim  byte
	cells  []string
	cell   strings.Builder
	quoted bool // inside quotes
	was    bool // the current cell was quoted
}

func (s *splitter) reset(delim byte) {
	*s = splitter{delim: delim}
}

func (s *splitter) feed(line []byte) standing {
	if s.quoted {
		s.cell.WriteByte('\n')
	}
	start := !s.quoted // at the start of a cell
	for i := 0; i < len(line); i++ {
		b := line[i]
		switch {
		case s.quoted && b == '"':
			if i+1 < len(line) && line[i+1] == '"' {
				s.cell.WriteByte('"')
				i++
				continue
			}
			s.quoted = false
		case s.quoted:
			s.cell.WriteByte(b)
		case b == s.delim:
			s.end()
			start = true
			continue
		case start && b == '"':
			// Space before the opening mark is no part of the cell.
			s.cell.Reset()
			s.quoted, s.was = true, true
		case s.was:
			if b != ' ' && b != '\t' {
				return malformed
			}
		case b == ' ' || b == '\t':
			s.cell.WriteByte(b)
			continue // still at the start, if we were
		default:
			s.cell.WriteByte(b)
		}
		start = false
	}
	if s.quoted {
		return open
	}
	s.end()
	return closed
}

func (s *splitter) end() {
	s.cells = append(s.cells, strings.TrimSpace(s.cell.String()))
	s.cell.Reset()
	s.was = false
}

func (s *splitter) take() []string { return s.cells }
