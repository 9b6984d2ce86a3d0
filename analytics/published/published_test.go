package published

import (
	"bytes"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

var fixtures = flag.String("fixtures", "testdata", "folder of NN_topic.json files to run; relative to this package or to the module")

// TestPublished runs every case of the fixtures and ends by printing the count.
func TestPublished(t *testing.T) {
	tally, err := RunDir(os.DirFS(folder(t, *fixtures)))
	require.NoError(t, err)
	var report bytes.Buffer
	require.NoError(t, tally.Report(&report))
	show(t, report.Bytes())
	if tally.Failed > 0 {
		t.Fail()
	}
}

// folder finds DIR as given, or else from the root of the module, because a
// test runs inside its package while whoever calls it stands at the root.
func folder(t *testing.T, dir string) string {
	if _, err := os.Stat(dir); err == nil || filepath.IsAbs(dir) {
		return dir
	}
	root, err := filepath.Abs(filepath.Join("..", ".."))
	require.NoError(t, err)
	return filepath.Join(root, dir)
}

// show prints the report. "go test ./pkg" throws away what a passing test
// prints unless -v is given, but somebody who named a folder asked for the
// count. There the report goes straight to the go command's own output, when
// that is a terminal or a pipe that can be opened; otherwise -v shows it.
func show(t *testing.T, report []byte) {
	_, err := os.Stdout.Write(report)
	require.NoError(t, err)
	asked := false
	flag.Visit(func(f *flag.Flag) { asked = asked || f.Name == "fixtures" })
	if !asked || testing.Verbose() || bytes.Contains(report, []byte("FAIL")) {
		return
	}
	name := fmt.Sprintf("/proc/%d/fd/1", os.Getppid())
	if info, err := os.Stat(name); err != nil || info.Mode()&(fs.ModeNamedPipe|fs.ModeCharDevice) == 0 {
		return
	}
	out, err := os.OpenFile(name, os.O_WRONLY, 0)
	if err != nil {
		return
	}
	defer out.Close()
	_, err = out.Write(report)
	require.NoError(t, err)
}

// Everything printed in a source must have been compared, save for the texts
// named here: nothing may pass because nobody looked.
func TestPublished_nothingIsLeftUncompared(t *testing.T) {
	t.Parallel()
	tally, err := RunDir(os.DirFS("testdata"))
	require.NoError(t, err)
	texts := map[string]bool{
		"coal-continuous raftery_akman": true, // a date in words
	}
	for _, o := range tally.Outcomes {
		for _, n := range o.NotCompared {
			require.True(t, texts[o.ID+" "+n], "%s: published %s was not compared", o.ID, n)
		}
	}
}

// The runner must be able to fail: each of these folders holds one case that is
// wrong in one way.
func TestRunDir_fails(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ body, want string }{
		"unknown method":    {`{"id":"a","method":"guess","inputs":{},"expected":{"x":1}}`, `method "guess" is not known`},
		"missing input":     {`{"id":"a","method":"exact_count_ci","inputs":{},"expected":{"lower":1}}`, "input count: is missing"},
		"wrong value":       {`{"id":"a","method":"exact_count_ci","inputs":{"count":10},"expected":{"lower":4.80}}`, "lower: got 4.79"},
		"not computed":      {`{"id":"a","method":"exact_count_ci","inputs":{"count":10},"expected":{"mode":4}}`, "mode: not computed"},
		"tiny is not zero":  {`{"id":"a","method":"rate_ci","inputs":{"count":137,"exposure":24.19893,"null_rate":1},"expected":{"p_greater":1e-56}}`, "p_greater: got 2.84"},
		"published differs": {`{"id":"a","method":"exact_count_ci","inputs":{"count":10},"published":{"lower":4.82}}`, "published 4.82"},
		"bad domain":        {`{"id":"a","method":"exact_count_ci","inputs":{"count":-1},"expected":{"lower":1}}`, "count = -1"},
		"null is not zero":  {`{"id":"a","method":"exact_count_ci","inputs":{"count":0},"expected":{"lower":null}}`, "lower: got 0, want <nil>"},
		"expects nothing":   {`{"id":"a","method":"exact_count_ci","inputs":{"count":0}}`, "expects nothing"},
		"list length":       {`{"id":"a","method":"c_chart","inputs":{"counts":[1,2,3]},"expected":{"out":[1]}}`, "out: got 0 values"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := fstest.MapFS{"01_x.json": {Data: []byte(`{"topic":"x","cases":[` + c.body + `]}`)}}
			tally, err := RunDir(dir)
			require.NoError(t, err)
			require.Equal(t, 1, tally.Failed)
			require.Zero(t, tally.Passed)
			require.Contains(t, strings.Join(tally.Outcomes[0].Problems, "\n"), c.want)
			var b bytes.Buffer
			require.NoError(t, tally.Report(&b))
			require.True(t, strings.HasSuffix(b.String(), "0 passed, 1 failed\n"), b.String())
		})
	}
	_, err := RunDir(fstest.MapFS{})
	require.ErrorContains(t, err, "NN_topic.json")
	// One unreadable file fails by itself and does not stop the rest.
	tally, err := RunDir(fstest.MapFS{
		"01_x.json": {Data: []byte(`{"cases":`)},
		"02_y.json": {Data: []byte(`{"cases":[{"id":"a","method":"thresholds","inputs":[],"expected":{"three_sigma_mean":9}}]}`)},
	})
	require.NoError(t, err)
	require.Equal(t, [2]int{1, 1}, [2]int{tally.Passed, tally.Failed})
	require.Contains(t, tally.Outcomes[0].Problems[0], "decode 01_x.json")
}

func TestMethods_areNamedOnce(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, m := range Methods() {
		require.False(t, seen[m], m)
		seen[m] = true
	}
	require.NotEmpty(t, seen)
}
