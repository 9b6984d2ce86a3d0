package toocs

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strings"
	"unicode/utf8"
)

// A DataError is one thing wrong with a data file. Load returns all of them
// joined, so that a file can be put right in one go.
type DataError struct {
	File string
	Line int // 1 is the heading row; 0 when the file itself is missing
	Text string
}

// Error returns the file, the line and what to do.
func (e *DataError) Error() string {
	if e.Line == 0 {
		return fmt.Sprintf("toocs: %s: %s", e.File, e.Text)
	}
	return fmt.Sprintf("toocs: %s:%d: %s", e.File, e.Line, e.Text)
}

// maxFile bounds how much of one data file is read. The largest list has
// under a thousand rows; a hundred times that is still small.
const maxFile = 16 << 20

// maxProblems bounds how many problems are listed before the rest is counted.
const maxProblems = 50

// A reader reads the csv files of one directory and gathers what is wrong.
type reader struct {
	fsys     fs.FS
	problems []error
	more     int
}

func (r *reader) problem(file string, line int, format string, args ...any) {
	if len(r.problems) >= maxProblems {
		r.more++
		return
	}
	r.problems = append(r.problems, &DataError{File: file, Line: line, Text: fmt.Sprintf(format, args...)})
}

// err returns everything wrong so far as one error, or nil.
func (r *reader) err() error {
	if len(r.problems) == 0 {
		return nil
	}
	all := r.problems
	if r.more > 0 {
		all = append(all[:len(all):len(all)], fmt.Errorf("toocs: and %d more problems", r.more))
	}
	return errors.Join(all...)
}

// A row is one record of a csv file, read by column name.
type row struct {
	line   int
	fields map[string]string
}

func (w row) get(column string) string { return w.fields[column] }

// rows reads a csv file with a heading row. Columns may stand in any order and
// others may stand beside them; those named must be there. A file that is not
// required may be absent.
func (r *reader) rows(file string, required bool, columns ...string) []row {
	f, err := r.fsys.Open(file)
	if err != nil {
		if required || !errors.Is(err, fs.ErrNotExist) {
			r.problem(file, 0, "cannot be opened: %v", err)
		}
		return nil
	}
	defer f.Close()
	raw, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	switch {
	case err != nil:
		r.problem(file, 0, "cannot be read: %v", err)
		return nil
	case len(raw) > maxFile:
		r.problem(file, 0, "is larger than %d MB; is it the right file?", maxFile>>20)
		return nil
	case !utf8.Valid(raw):
		r.problem(file, 0, "is not UTF-8 text; save it as \"CSV UTF-8\"")
		return nil
	}
	// Spreadsheets put a byte order mark in front of UTF-8.
	in := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(raw, []byte("\xef\xbb\xbf"))))
	in.FieldsPerRecord = -1
	head, err := in.Read()
	if err != nil {
		r.problem(file, 1, "has no heading row; the first line must be %s", strings.Join(columns, ","))
		return nil
	}
	at := map[string]int{}
	for i, name := range head {
		at[strings.ToLower(strings.TrimSpace(name))] = i
	}
	missing := false
	for _, c := range columns {
		if _, ok := at[c]; !ok {
			r.problem(file, 1, "column %q is missing; the heading row must name %s", c, strings.Join(columns, ", "))
			missing = true
		}
	}
	if missing {
		return nil
	}
	var rows []row
	for {
		rec, err := in.Read()
		if err == io.EOF {
			return rows
		}
		if err != nil {
			line := 0
			if pe, ok := errors.AsType[*csv.ParseError](err); ok {
				line = pe.Line
			}
			r.problem(file, line, "is not well-formed csv: %v", err)
			return rows
		}
		line, _ := in.FieldPos(0)
		if len(rec) == 1 && strings.TrimSpace(rec[0]) == "" {
			continue
		}
		if len(rec) != len(head) {
			r.problem(file, line, "has %d columns where the heading row has %d; is a comma outside quotes?", len(rec), len(head))
			continue
		}
		w := row{line: line, fields: make(map[string]string, len(columns))}
		for _, c := range columns {
			w.fields[c] = strings.TrimSpace(rec[at[c]])
		}
		rows = append(rows, w)
	}
}
