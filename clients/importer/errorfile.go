package importer

import (
	"encoding/csv"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
)

// ErrorFile is a table of what was wrong, one line for each problem: file,
// line, id, column, value, problem. It holds parts of the source and is
// readable by its owner only. A nil ErrorFile drops everything.
type ErrorFile struct {
	f *os.File
	n int64
}

var errorHeader = []string{"file", "line", "id", "column", "value", "problem"}

// OpenErrorFile opens a file of errors for writing; what is in it stays until
// the import says from where to go on.
func OpenErrorFile(path string) (*ErrorFile, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("importer: file of errors: %w", err)
	}
	return &ErrorFile{f: f}, nil
}

// Close closes the file.
func (e *ErrorFile) Close() error {
	if e == nil {
		return nil
	}
	return e.f.Close()
}

// from cuts the file to the length that belongs to what was acknowledged, so
// that going on doubles no line. 0 starts anew.
func (e *ErrorFile) from(n int64) error {
	if e == nil {
		return nil
	}
	if size, err := e.f.Seek(0, io.SeekEnd); err != nil || size < n {
		n = 0 // another file than then
	}
	if err := e.f.Truncate(n); err != nil {
		return fmt.Errorf("importer: file of errors: %w", err)
	}
	if _, err := e.f.Seek(n, io.SeekStart); err != nil {
		return fmt.Errorf("importer: file of errors: %w", err)
	}
	if e.n = n; n > 0 {
		return nil
	}
	return e.rows([][]string{errorHeader})
}

func (e *ErrorFile) write(file string, ps []Problem) error {
	if e == nil || len(ps) == 0 {
		return nil
	}
	out := make([][]string, len(ps))
	for i, p := range ps {
		out[i] = []string{file, strconv.Itoa(p.Line), p.ID, p.Column, p.Value, p.Cure}
	}
	return e.rows(out)
}

func (e *ErrorFile) rows(rows [][]string) error {
	var b strings.Builder
	w := csv.NewWriter(&b)
	if err := w.WriteAll(rows); err != nil {
		return fmt.Errorf("importer: file of errors: %w", err)
	}
	n, err := io.WriteString(e.f, b.String())
	e.n += int64(n)
	if err != nil {
		return fmt.Errorf("importer: file of errors: %w", err)
	}
	return nil
}

func (e *ErrorFile) length() int64 {
	if e == nil {
		return 0
	}
	return e.n
}
