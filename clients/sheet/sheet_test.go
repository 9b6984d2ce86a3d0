package sheet_test

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fairlead/clients/sheet"
)

// read returns every row as "line|cell|cell", and bad rows as "line!".
func read(t *testing.T, text string, o sheet.Options) (header []string, rows []string) {
	t.Helper()
	d, err := sheet.New(strings.NewReader(text), o)
	require.NoError(t, err)
	for {
		row, err := d.Next()
		var bad *sheet.RowError
		switch {
		case errors.Is(err, io.EOF):
			return d.Header(), rows
		case errors.As(err, &bad):
			rows = append(rows, fmt.Sprintf("%d!", bad.Line))
		default:
			require.NoError(t, err)
			rows = append(rows, fmt.Sprintf("%d|%s", row.Line, strings.Join(row.Cells, "|")))
		}
	}
}

func wide(s string) string {
	var b strings.Builder
	b.WriteString("\xff\xfe")
	for _, u := range utf16.Encode([]rune(s)) {
		b.WriteByte(byte(u))
		b.WriteByte(byte(u >> 8))
	}
	return b.String()
}

func TestRead(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		text string
		o    sheet.Options
		want []string
	}{
		"plain":                      {"a,b\n1,2\n3,4\n", sheet.Options{}, []string{"2|1|2", "3|3|4"}},
		"no newline at the end":      {"a,b\n1,2", sheet.Options{}, []string{"2|1|2"}},
		"carriage returns":           {"a,b\r\n1,2\r\n", sheet.Options{}, []string{"2|1|2"}},
		"byte order mark":            {"\xef\xbb\xbfa,b\n1,2\n", sheet.Options{}, []string{"2|1|2"}},
		"utf-16 by its mark":         {wide("a\tb\r\n1\t2é\r\n"), sheet.Options{}, []string{"2|1|2é"}},
		"windows-1252":               {"a,b\n1,caf\xe9 \x96\n", sheet.Options{Encoding: "windows-1252"}, []string{"2|1|café –"}},
		"semicolons found":           {"a;b\n1;2,5\n", sheet.Options{}, []string{"2|1|2,5"}},
		"tabs found":                 {"a\tb\n1\t\n", sheet.Options{}, []string{"2|1|"}},
		"sep line":                   {"sep=;\na;b\n1;2\n", sheet.Options{}, []string{"3|1|2"}},
		"delimiter given wins":       {"a;b,c\n1;2,3\n", sheet.Options{Delimiter: ','}, []string{"2|1;2|3"}},
		"blank lines skipped":        {"\n\na,b\n\n1,2\n,\n3,4\n\n", sheet.Options{}, []string{"5|1|2", "7|3|4"}},
		"quotes":                     {"a,b\n\"1,\"\"x\"\"\",\"two\nlines\"\n3,4\n", sheet.Options{}, []string{"2|1,\"x\"|two\nlines", "4|3|4"}},
		"crlf inside quotes":         {"a,b\r\n1,\"two\r\nlines\"\r\n", sheet.Options{}, []string{"2|1|two\nlines"}},
		"space around quotes":        {"a,b\n \"1\" ,\t\"2\"\n", sheet.Options{}, []string{"2|1|2"}},
		"a mark inside a plain cell": {"a,b\n5\" pipe,2\n3,4\n", sheet.Options{}, []string{"2|5\" pipe|2", "3|3|4"}},
		"empty cells at the end":     {"a,b\n1,2,,,\n", sheet.Options{}, []string{"2|1|2"}},
		"empty header cells at end":  {"a,b,,\n1,2,,\n", sheet.Options{}, []string{"2|1|2"}},
		"too many cells":             {"a,b\n1,2,3\n4,5\n", sheet.Options{}, []string{"2!", "3|4|5"}},
		"too few cells":              {"a,b\n1\n4,5\n", sheet.Options{}, []string{"2!", "3|4|5"}},
		"unclosed mark":              {"a,b\n\"1,2\n4,5\n6,7\n", sheet.Options{}, []string{"2!", "3|4|5", "4|6|7"}},
		"text after a closing mark":  {"a,b\n\"1\"x,2\n4,5\n", sheet.Options{}, []string{"2!", "3|4|5"}},
		"unclosed, closed lines on":  {"a,b\n\"1,2\n4,5\n\"6\",7\n", sheet.Options{}, []string{"2!", "3|4|5", "4|6|7"}},
		"bytes that are not text":    {"a,b\n1,\xff\n4,5\n", sheet.Options{}, []string{"2!", "3|4|5"}},
		"zero bytes":                 {"a,b\n1,\x00\n4,5\n", sheet.Options{}, []string{"2!", "3|4|5"}},
		"lone carriage return":       {"a,b\n1,\"2\r3\"\n4,5\n", sheet.Options{}, []string{"2!", "3|4|5"}},
		"a row that is far too long": {"a,b\n1," + strings.Repeat("x", 3<<20) + "\n4,5\n", sheet.Options{}, []string{"2!", "3|4|5"}},
		"unclosed over a long stretch": {"a,b\n\"1,2\n" + strings.Repeat("4,"+strings.Repeat("y", 1<<16)+"\n", 20) + "6,7\n",
			sheet.Options{}, append(append([]string{"2!"}, long(20)...), "23|6|7")},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, got := read(t, c.text, c.o)
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("rows (-want +got):\n%s", d)
			}
		})
	}
}

func long(n int) (out []string) {
	for i := range n {
		out = append(out, fmt.Sprintf("%d|4|%s", i+3, strings.Repeat("y", 1<<16)))
	}
	return out
}

func TestBadFile(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		text, want string
		o          sheet.Options
	}{
		"empty":             {"", "empty", sheet.Options{}},
		"only blank lines":  {"\n \n", "empty", sheet.Options{}},
		"no names":          {",,\n1,2,3\n", "names no column", sheet.Options{}},
		"unclosed header":   {"\"a,b\n1,2\n", "line 1", sheet.Options{}},
		"unknown encoding":  {"a\n", "windows-1252", sheet.Options{Encoding: "ebcdic"}},
		"unknown delimiter": {"a\n", "delimiter", sheet.Options{Delimiter: 'x'}},
		"not text":          {"\x89PNG\r\n\x1a\n\x00", "not UTF-8", sheet.Options{}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, err := sheet.New(strings.NewReader(c.text), c.o)
			require.ErrorContains(t, err, c.want)
		})
	}
}

// A failing disk is an error of the file, not of a row.
func TestReadFails(t *testing.T) {
	t.Parallel()
	broken := errors.New("the disk is gone")
	d, err := sheet.New(io.MultiReader(strings.NewReader("a,b\n1,2\n3,"), &failing{broken}), sheet.Options{})
	require.NoError(t, err)
	_, err = d.Next()
	require.NoError(t, err)
	_, err = d.Next()
	require.ErrorIs(t, err, broken)
}

type failing struct{ err error }

func (f *failing) Read([]byte) (int, error) { return 0, f.err }

// What the standard library writes is read back, cell by cell.
func TestReadsWhatCSVWrites(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		cols := rapid.IntRange(1, 5).Draw(t, "columns")
		cell := rapid.StringMatching(`[a-zé" ,;\n|'=-]{0,12}`)
		var b strings.Builder
		w := csv.NewWriter(&b)
		w.UseCRLF = rapid.Bool().Draw(t, "crlf")
		header := make([]string, cols)
		for i := range header {
			header[i] = fmt.Sprintf("c%d", i)
		}
		require.NoError(t, w.Write(header))
		var want [][]string
		for range rapid.IntRange(0, 6).Draw(t, "rows") {
			row := rapid.SliceOfN(cell, cols, cols).Draw(t, "row")
			require.NoError(t, w.Write(row))
			blank := true
			trimmed := make([]string, cols)
			for i, c := range row {
				trimmed[i] = strings.TrimSpace(c)
				blank = blank && trimmed[i] == ""
			}
			if !blank {
				want = append(want, trimmed)
			}
		}
		w.Flush()
		d, err := sheet.New(strings.NewReader(b.String()), sheet.Options{Delimiter: ','})
		require.NoError(t, err)
		var got [][]string
		for {
			row, err := d.Next()
			if errors.Is(err, io.EOF) {
				break
			}
			require.NoError(t, err)
			got = append(got, row.Cells)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("rows (-want +got):\n%s", d)
		}
	})
}

// FuzzReader: no input panics or runs for ever, every row has the cells of the
// header, and lines only go up.
func FuzzReader(f *testing.F) {
	for _, s := range []string{"a,b\n1,2\n", "a;b\r\n\"x\ny\";2\n", "\xff\xfea\x00\n\x00", "sep=\t\na\tb\n\"", "\"a\"\"\n", "a\n\"1\"2\n3\n"} {
		f.Add(s, "")
		f.Add(s, "windows-1252")
	}
	f.Fuzz(func(t *testing.T, text, encoding string) {
		d, err := sheet.New(strings.NewReader(text), sheet.Options{Encoding: encoding})
		if err != nil {
			require.NotEmpty(t, err.Error())
			return
		}
		last := 0
		for range len(text) + 2 {
			row, err := d.Next()
			line := row.Line
			var bad *sheet.RowError
			switch {
			case errors.Is(err, io.EOF):
				return
			case errors.As(err, &bad):
				line = bad.Line
				require.NotEmpty(t, bad.Problem)
			default:
				require.NoError(t, err)
				require.Len(t, row.Cells, len(d.Header()))
			}
			require.Greater(t, line, last)
			last = line
		}
		t.Fatal("more rows than bytes")
	})
}
