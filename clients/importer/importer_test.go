package importer_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"

	"fairlead/clients/importer"
	pb "fairlead/proto/gen/fairlead/v1"
)

var update = flag.Bool("update", false, "write the golden files anew")

// zones are the workplaces of the tests.
func zones(workplace string) (*time.Location, error) {
	z, ok := map[string]string{"workplaces/osha": "America/New_York", "workplaces/northside": "Australia/Sydney",
		"workplaces/quarry-road": "Australia/Sydney", "workplaces/lakeside": "Australia/Perth"}[workplace]
	if !ok {
		return nil, errors.New("is not there")
	}
	return time.LoadLocation(z)
}

func builtin(t testing.TB, name string) *importer.Mapping {
	t.Helper()
	text, err := importer.Builtin(name)
	require.NoError(t, err)
	m, err := importer.Parse(text)
	require.NoError(t, err)
	return m
}

// taker stands in for the service: it takes everything, once.
type taker struct {
	records []*pb.ImportRecord
	batches []int
	there   map[string]bool
	fail    func(batch int) error
}

func (k *taker) send(_ context.Context, records []*pb.ImportRecord) ([]*pb.ImportResult, error) {
	if k.there == nil {
		k.there = map[string]bool{}
	}
	if k.fail != nil {
		if err := k.fail(len(k.batches)); err != nil {
			return nil, err
		}
	}
	k.batches = append(k.batches, len(records))
	out := make([]*pb.ImportResult, len(records))
	for i, r := range records {
		name := r.GetReport().GetName()
		out[i] = &pb.ImportResult{Status: pb.ImportStatus_IMPORT_STATUS_CREATED, Report: name}
		if k.there[name] {
			out[i].Status = pb.ImportStatus_IMPORT_STATUS_UNCHANGED
			continue
		}
		k.there[name] = true
		k.records = append(k.records, r)
	}
	return out, nil
}

// lines returns messages as JSON, one a line, the same on every run.
func lines(t *testing.T, records []*pb.ImportRecord) []byte {
	t.Helper()
	var b bytes.Buffer
	for _, r := range records {
		j, err := protojson.Marshal(r)
		require.NoError(t, err)
		require.NoError(t, json.Compact(&b, j))
		b.WriteByte('\n')
	}
	return b.Bytes()
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(path, got, 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	if d := cmp.Diff(string(want), string(got)); d != "" {
		t.Errorf("%s (-want +got):\n%s", name, d)
	}
}

func TestGolden(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ mapping, file, golden string }{
		{"osha-severe-injury", "osha_severe_injury.csv", "osha_severe_injury.golden"},
		{"osha-investigations", "osha_investigations.csv.gz", "osha_investigations.golden"},
		{"old-register", "register.csv", "register.golden"},
	} {
		t.Run(c.mapping, func(t *testing.T) {
			t.Parallel()
			k := &taker{}
			errs := filepath.Join(t.TempDir(), "errors.csv")
			ef, err := importer.OpenErrorFile(errs)
			require.NoError(t, err)
			job := importer.Job{Mapping: builtin(t, c.mapping), Zone: zones, Send: k.send, Errors: ef}
			_, err = job.Run(t.Context(), []string{filepath.Join("testdata", c.file)})
			require.NoError(t, err)
			require.NoError(t, ef.Close())
			golden(t, c.golden, lines(t, k.records))
			got, err := os.ReadFile(errs)
			require.NoError(t, err)
			golden(t, strings.TrimSuffix(c.golden, ".golden")+"_errors.golden", got)

			// What is sent keeps every rule of the contract.
			v, err := protovalidate.New()
			require.NoError(t, err)
			for _, r := range k.records {
				require.NoError(t, v.Validate(r.GetReport()), "line %d", r.GetSourceLine())
				for _, c := range r.GetCodings() {
					require.NoError(t, v.Validate(c), "line %d", r.GetSourceLine())
				}
			}
		})
	}
}

// The days of the source are the days of the report, whatever the zone.
func TestDayStaysTheDay(t *testing.T) {
	t.Parallel()
	k := &taker{}
	job := importer.Job{Mapping: builtin(t, "osha-investigations"), Zone: zones, Send: k.send}
	_, err := job.Run(t.Context(), []string{"testdata/osha_investigations.csv.gz"})
	require.NoError(t, err)
	days := map[string]string{}
	for _, row := range source(t, "testdata/osha_investigations.csv.gz") {
		days[row["investigation_nr"]] = row["event_date"]
	}
	require.Len(t, k.records, len(days))
	ny, err := time.LoadLocation("America/New_York")
	require.NoError(t, err)
	for _, r := range k.records {
		rep := r.GetReport()
		require.Equal(t, days[rep.GetOrigin().GetSourceId()], rep.GetOccurTime().AsTime().In(ny).Format(time.DateOnly))
		require.Equal(t, pb.TimePrecision_TIME_PRECISION_DAY, rep.GetOccurPrecision())
	}
}

// Two runs, or two machines, make the same reports; the second changes nothing.
func TestTwice(t *testing.T) {
	t.Parallel()
	k := &taker{}
	job := importer.Job{Mapping: builtin(t, "osha-severe-injury"), Zone: zones, Send: k.send}
	first, err := job.Run(t.Context(), []string{"testdata/osha_severe_injury.csv"})
	require.NoError(t, err)
	second, err := job.Run(t.Context(), []string{"testdata/osha_severe_injury.csv"})
	require.NoError(t, err)
	require.EqualValues(t, 40, first.Created)
	require.EqualValues(t, 40, second.Unchanged)
	require.Zero(t, second.Created)
	// From memory of RFC 9562: version 5, variant 10.
	require.Regexp(t, `^reports/[0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$`, k.records[0].GetReport().GetName())
	require.NotEqual(t, importer.ReportName("a", "bc"), importer.ReportName("ab", "c"))
}

// table writes a table of n rows, with mistakes in some.
func table(t *testing.T, n int) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "t.csv")
	var b strings.Builder
	w := csv.NewWriter(&b)
	require.NoError(t, w.Write([]string{"id", "text"}))
	for i := range n {
		text := fmt.Sprintf("Story %d,\nin two lines.", i)
		if i%100 == 7 {
			text = ""
		}
		require.NoError(t, w.Write([]string{fmt.Sprint(i), text}))
	}
	w.Flush()
	require.NoError(t, os.WriteFile(path, []byte(b.String()), 0o600))
	return path
}

const plain = `
fairlead_mapping: 1
dataset: test
id: id
report:
  kind: {constant: hazard}
  workplace: {constant: northside}
  narrative: text
`

// An import that is stopped goes on where it was, and says everything once.
func TestGoOn(t *testing.T) {
	t.Parallel()
	m, err := importer.Parse([]byte(plain))
	require.NoError(t, err)
	path, dir := table(t, 2300), t.TempDir()
	statePath, errPath := filepath.Join(dir, "state.json"), filepath.Join(dir, "errors.csv")
	k := &taker{}
	broken := errors.New("the line is dead")
	run := func(address string) (importer.Result, error) {
		st, err := importer.OpenState(statePath, address, m)
		require.NoError(t, err)
		ef, err := importer.OpenErrorFile(errPath)
		require.NoError(t, err)
		defer func() { require.NoError(t, ef.Close()) }()
		job := importer.Job{Mapping: m, Zone: zones, Send: k.send, State: st, Errors: ef}
		return job.Run(t.Context(), []string{path})
	}
	k.fail = func(batch int) error {
		if batch == 2 {
			return broken
		}
		return nil
	}
	r, err := run("a")
	require.ErrorIs(t, err, broken)
	require.ErrorContains(t, err, "stopped before line")
	require.EqualValues(t, 1000, r.Created)
	k.fail = nil
	r, err = run("a")
	require.NoError(t, err)
	require.EqualValues(t, 2300, r.Rows)
	require.Equal(t, r.Rows, r.Created+r.Refused+r.Skipped)
	require.EqualValues(t, 1277, r.Created)
	require.Len(t, k.records, 2277)
	require.Equal(t, []int{500, 500, 500, 500, 277}, k.batches)
	b, err := os.ReadFile(errPath)
	require.NoError(t, err)
	require.Equal(t, 24, strings.Count(string(b), "\n"), "header and 23 empty stories, none twice:\n%s", b)

	r, err = run("a")
	require.NoError(t, err)
	require.EqualValues(t, 2300, r.Skipped)
	require.Len(t, k.batches, 5)
	r, err = run("another service")
	require.NoError(t, err)
	require.Zero(t, r.Skipped, "what one service has, another need not")

	require.NoError(t, os.WriteFile(statePath, []byte("{}"), 0o600))
	_, err = importer.OpenState(statePath, "a", m)
	require.ErrorContains(t, err, "not one of this program")
}

// What the service refuses is led back to the column.
func TestRefused(t *testing.T) {
	t.Parallel()
	m, err := importer.Parse([]byte(plain))
	require.NoError(t, err)
	errPath := filepath.Join(t.TempDir(), "errors.csv")
	ef, err := importer.OpenErrorFile(errPath)
	require.NoError(t, err)
	job := importer.Job{Mapping: m, Zone: zones, Errors: ef, Send: func(_ context.Context, rs []*pb.ImportRecord) ([]*pb.ImportResult, error) {
		out := make([]*pb.ImportResult, len(rs))
		for i := range rs {
			out[i] = &pb.ImportResult{Status: pb.ImportStatus_IMPORT_STATUS_REFUSED}
		}
		out[0].Violations = []*pb.ImportViolation{{Field: "report.narrative", Description: "say more"},
			{Field: "records[0].report.origin.source_id", Description: "is odd"}, {Field: "report.links[1].kind", Description: "is odd too"}}
		return out, nil
	}}
	r, err := job.Run(t.Context(), []string{table(t, 2)})
	require.NoError(t, err)
	require.EqualValues(t, 2, r.Refused)
	require.NoError(t, ef.Close())
	b, err := os.ReadFile(errPath)
	require.NoError(t, err)
	require.Equal(t, "file,line,id,column,value,problem\n"+
		"t.csv,2,0,text,,say more\nt.csv,2,0,id,,is odd\nt.csv,2,0,,,report.links[1].kind: is odd too\n"+
		"t.csv,4,1,,,\"was refused by the service, which did not say why\"\n", string(b))
}

// Long records make small batches.
func TestBatchBytes(t *testing.T) {
	t.Parallel()
	m, err := importer.Parse([]byte(plain))
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "t.csv")
	var b strings.Builder
	b.WriteString("id,text\n")
	for i := range 300 {
		fmt.Fprintf(&b, "%d,%s\n", i, strings.Repeat("é", 20000))
	}
	fmt.Fprintf(&b, "x,%s\n", strings.Repeat("é", 20001))
	require.NoError(t, os.WriteFile(path, []byte(b.String()), 0o600))
	k := &taker{}
	job := importer.Job{Mapping: m, Zone: zones, Send: k.send}
	r, err := job.Run(t.Context(), []string{path})
	require.NoError(t, err)
	require.EqualValues(t, 300, r.Created)
	require.EqualValues(t, 1, r.Refused, "20,001 characters are refused, not cut")
	for _, n := range k.batches {
		require.LessOrEqual(t, n, 53) // 2 MiB of 40 kB each
	}
}

func TestBadFiles(t *testing.T) {
	t.Parallel()
	m, err := importer.Parse([]byte(plain))
	require.NoError(t, err)
	dir := t.TempDir()
	write := func(name, text string) string {
		p := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(p, []byte(text), 0o600))
		return p
	}
	for name, c := range map[string]struct{ path, want string }{
		"absent":        {filepath.Join(dir, "none.csv"), "none.csv"},
		"not packed":    {write("x.csv.gz", "id,text\n"), "cannot be unpacked"},
		"wrong columns": {write("y.csv", "ID,text\n1,a\n"), `line 4: id: the table has no column "id"; it has ID, text`},
		"column twice":  {write("z.csv", "id,text,text\n1,a,b\n"), `the column "text" twice`},
		"empty":         {write("e.csv", ""), "empty"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			job := importer.Job{Mapping: m, Zone: zones, Send: (&taker{}).send}
			_, err := job.Run(t.Context(), []string{c.path})
			require.ErrorContains(t, err, c.want)
		})
	}
	t.Run("cut short", func(t *testing.T) {
		t.Parallel()
		whole, err := os.ReadFile("testdata/osha_investigations.csv.gz")
		require.NoError(t, err)
		job := importer.Job{Mapping: builtin(t, "osha-investigations"), Zone: zones, Send: (&taker{}).send}
		_, err = job.Run(t.Context(), []string{write("short.csv.gz", string(whole[:len(whole)/2]))})
		require.ErrorIs(t, err, io.ErrUnexpectedEOF, "half a file is not a whole one")
	})
}

// The service's copies of the crosswalks and ours are the same.
func TestCrosswalksAreCopies(t *testing.T) {
	t.Parallel()
	ours, err := filepath.Glob("crosswalks/*.csv")
	require.NoError(t, err)
	require.Len(t, ours, 4)
	for _, path := range ours {
		a, err := os.ReadFile(path)
		require.NoError(t, err)
		b, err := os.ReadFile(filepath.Join("../../services/classify/toocs/data/crosswalk", filepath.Base(path)))
		require.NoError(t, err)
		require.Equal(t, string(b), string(a), "copy the file again")
	}
}
