package published

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"path"
	"regexp"
	"slices"
)

// fixture is one file: a topic and its cases.
type fixture struct {
	Topic string `json:"topic"`
	Cases []Case `json:"cases"`
}

// Case is one case of a fixture file.
type Case struct {
	ID        string  `json:"id"`
	Method    string  `json:"method"`
	Inputs    object  `json:"inputs"`
	Expected  object  `json:"expected"`
	Published object  `json:"published"`
	Source    string  `json:"source"`
	Verified  string  `json:"verified"`
	Note      string  `json:"note"`
	RelTol    float64 `json:"rel_tol"`
}

// object is a JSON object whose numbers keep their own digits: how a printed
// value was rounded shows in them. Software that knows only lists writes an
// empty object as [], which is read as one.
type object map[string]any

// UnmarshalJSON reads an object, null or an empty list.
func (o *object) UnmarshalJSON(b []byte) error {
	if t := bytes.TrimSpace(b); bytes.Equal(t, []byte("[]")) || bytes.Equal(t, []byte("null")) {
		*o = nil
		return nil
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	m := map[string]any{}
	if err := d.Decode(&m); err != nil {
		return err
	}
	*o = m
	return nil
}

// Outcome is what became of one case.
type Outcome struct {
	File, ID, Method string
	Problems         []string // empty when the case passed
	Near             []string // published values met to one unit of their last place, not to half
	NotCompared      []string // published values that no computed value stands for
}

// Tally is what became of a folder.
type Tally struct {
	Outcomes []Outcome
	Passed   int
	Failed   int
	GridRows int // rows of the grid of count limits that were compared as well
}

var fixtureName = regexp.MustCompile(`^\d\d_[a-z0-9_]+\.json$`)

// RunDir runs every case of every NN_topic.json in the root of dir and returns
// what became of each, and compares the grid of count limits if there is one. An
// error means that the folder could not be read; a case that fails, and a file
// that is no fixture, are counted as failed.
func RunDir(dir fs.FS) (Tally, error) {
	var t Tally
	entries, err := fs.ReadDir(dir, ".")
	if err != nil {
		return t, fmt.Errorf("published: read fixtures: %w", err)
	}
	var names []string
	for _, e := range entries {
		if !e.IsDir() && fixtureName.MatchString(e.Name()) {
			names = append(names, e.Name())
		}
	}
	rows, wrong, err := runGrid(dir)
	if err != nil {
		return t, err
	}
	t.GridRows = rows
	for _, o := range wrong {
		t.add(o)
	}
	slices.Sort(names)
	if len(names) == 0 {
		return t, fmt.Errorf("published: the folder holds no file named NN_topic.json")
	}
	for _, name := range names {
		f, err := readFixture(dir, name)
		if err != nil {
			// The other files are still worth running.
			t.add(Outcome{File: name, Problems: []string{err.Error()}})
			continue
		}
		for _, c := range f.Cases {
			t.add(runCase(dir, name, c))
		}
	}
	return t, nil
}

func readFixture(dir fs.FS, name string) (fixture, error) {
	var f fixture
	b, err := fs.ReadFile(dir, name)
	if err != nil {
		return f, fmt.Errorf("published: read %s: %w", name, err)
	}
	if err := json.Unmarshal(b, &f); err != nil {
		return f, fmt.Errorf("published: decode %s: %w", name, err)
	}
	return f, nil
}

func (t *Tally) add(o Outcome) {
	t.Outcomes = append(t.Outcomes, o)
	if len(o.Problems) == 0 {
		t.Passed++
	} else {
		t.Failed++
	}
}

func runCase(dir fs.FS, file string, c Case) (o Outcome) {
	o = Outcome{File: path.Base(file), ID: c.ID, Method: c.Method}
	// A panic is a failed case with a name, not the end of the run.
	defer func() {
		if p := recover(); p != nil {
			o.Problems = append(o.Problems, fmt.Sprintf("panic: %v", p))
		}
	}()
	got, t, err := compute(c.Method, NewInputs(c.Inputs, dir))
	if err != nil {
		o.Problems = append(o.Problems, err.Error())
		return o
	}
	if len(c.Expected) == 0 && len(c.Published) == 0 {
		o.Problems = append(o.Problems, "the case expects nothing")
		return o
	}
	if _, simulated := c.Expected["standard_error"]; simulated {
		o.Problems = compareSimulated(c.Expected, got)
	} else {
		o.Problems = compareExpected(c.Expected, got, max(c.tolerance(), t.loose[c.Method]))
	}
	p := comparePublished(c.Published, got, t.alias, c.Note)
	o.Problems = append(o.Problems, p.diffs...)
	o.Near, o.NotCompared = p.near, p.left
	return o
}

// tolerance is the relative tolerance of the case; a fixture without one means
// full agreement of two double-precision programs.
func (c Case) tolerance() float64 {
	if c.RelTol > 0 {
		return c.RelTol
	}
	return 1e-8
}

// Report writes one line per failing case, the published values that were not
// compared, and the count.
func (t Tally) Report(w io.Writer) error {
	var b bytes.Buffer
	for _, o := range t.Outcomes {
		for _, p := range o.Problems {
			fmt.Fprintf(&b, "FAIL %s %s (%s): %s\n", o.File, o.ID, o.Method, p)
		}
		for _, n := range o.Near {
			fmt.Fprintf(&b, "note %s %s: published %s agrees to one unit of its last place, not to half of one\n", o.File, o.ID, n)
		}
		for _, n := range o.NotCompared {
			fmt.Fprintf(&b, "note %s %s: published %s was not compared: no computed value of that name\n", o.File, o.ID, n)
		}
	}
	if t.GridRows > 0 {
		fmt.Fprintf(&b, "grid %s: %d rows compared besides the cases\n", gridFile, t.GridRows)
	}
	fmt.Fprintf(&b, "%d passed, %d failed\n", t.Passed, t.Failed)
	if _, err := w.Write(b.Bytes()); err != nil {
		return fmt.Errorf("published: write report: %w", err)
	}
	return nil
}
