package cli_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fairlead/clients/cli"
	"fairlead/services/server/servertest"
)

// desk is somebody at a terminal.
type desk struct {
	t   *testing.T
	env cli.Env
	out bytes.Buffer
	err bytes.Buffer
}

func sit(t *testing.T, s *servertest.Server, role string) *desk {
	d := &desk{t: t}
	n := 0
	d.env = cli.Env{Asks: true, Width: 80, CacheDir: t.TempDir(), ClientFile: filepath.Join(t.TempDir(), "none.yaml"),
		Now: func() time.Time { return stories },
		NewID: func() string {
			n++
			return fmt.Sprintf("0195a3f2-7c00-7000-8000-%012d", n)
		},
		Getenv: func(k string) string {
			return map[string]string{"FAIRLEAD_ADDRESS": s.GRPC, "FAIRLEAD_TOKEN": s.Tokens[role]}[k]
		}}
	return d
}

// run runs a command with what the person types, and returns the exit code.
func (d *desk) run(typed string, args ...string) int {
	d.out.Reset()
	d.err.Reset()
	d.env.In, d.env.Out, d.env.Err = strings.NewReader(typed), &d.out, &d.err
	return cli.Run(context.Background(), d.env, args)
}

// The questions of a shared tablet, on a terminal: who may know comes first,
// a wrong answer is asked again, and the story keeps its lines.
func TestAsk(t *testing.T) {
	t.Parallel()
	s := servertest.Start(t, servertest.Options{Clock: servertest.NewClock(stories).Now})
	s.Shire()
	d := sit(t, s, "worker")

	typed := strings.Join([]string{
		"7", "", "Kim", // who may know: no such answer, then confidential; what to call you
		"2",      // a near miss
		"9", "2", // where: no such answer, then the second workplace
		"Bay 4", // where exactly
		"the day after tomorrow", "yesterday",
		"", "The mower slid down the bank.", "It stopped at the fence.", "", // an empty story is asked again
		"4",                 // death
		"Roped it off.", "", // done right away
		"1", // send
	}, "\n") + "\n"
	require.Equal(t, 0, d.run(typed, "file"), d.err.String())
	asked := d.err.String()
	require.Less(t, strings.Index(asked, "Who may know"), strings.Index(asked, "What kind"), "before anything is typed")
	require.Contains(t, asked, "This is not an emergency call")
	require.Contains(t, asked, "Type a number from 1 to 3.")
	require.Contains(t, asked, "is not a time")
	require.Contains(t, asked, "Please say it in a few words.")
	require.Contains(t, d.out.String(), "Stored. Code to quote: ")

	a := sit(t, s, "adviser")
	require.Equal(t, 0, a.run("", "list", "--json"))
	got := a.out.String()
	require.Contains(t, got, `"narrative": "The mower slid down the bank.\nIt stopped at the fence."`)
	require.Contains(t, got, `"workplace": "workplaces/northside"`)
	require.Contains(t, got, `"occurTime": "2026-03-18T13:00:00Z"`, "yesterday in Sydney")
	require.Contains(t, got, `"tellerMode": "TELLER_MODE_CONFIDENTIAL"`)
	require.Contains(t, got, `"potential": "POTENTIAL_SEVERITY_FATAL"`)
	require.NotContains(t, got, "Kim")
}

// Whoever changes their mind, or closes the window, sends nothing.
func TestAskStopped(t *testing.T) {
	t.Parallel()
	s := servertest.Start(t, servertest.Options{Clock: servertest.NewClock(stories).Now})
	s.Shire()
	d := sit(t, s, "worker")
	all := []string{"3", "1", "1", "", "not sure", "A step is loose.", "", "5", "", "2"}
	require.Equal(t, 1, d.run(strings.Join(all, "\n")+"\n", "file"))
	require.Contains(t, d.err.String(), "Nothing was sent.")
	for n := range all {
		require.Equal(t, 1, d.run(strings.Join(all[:n], "\n")+"\n", "file"), n)
		require.Contains(t, d.err.String(), "Nothing was sent.", n)
	}
	// Ctrl-C at a question ends it, though nothing was typed.
	silent, hold := io.Pipe()
	defer hold.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	d.out.Reset()
	d.err.Reset()
	d.env.In = silent
	require.Equal(t, 1, cli.Run(ctx, d.env, []string{"file"}))
	require.Contains(t, d.err.String(), "Nothing was sent.")

	a := sit(t, s, "adviser")
	require.Equal(t, 0, a.run("", "list"))
	require.Contains(t, a.out.String(), "No report.")
}

// An import at a terminal shows how far it is.
func TestProgress(t *testing.T) {
	t.Parallel()
	s := servertest.Start(t, servertest.Options{Clock: servertest.NewClock(stories).Now})
	s.Shire()
	d := sit(t, s, "administrator")
	require.Equal(t, 0, d.run("", "workplaces", "add", "osha", "--title", "OSHA", "--level", "site", "--below", "."), d.err.String())
	d = sit(t, s, "integration")
	require.Equal(t, 0, d.run("", "import", "--map", "osha-severe-injury", "../importer/testdata/osha_severe_injury.csv"), d.err.String())
	require.Contains(t, d.err.String(), "\r40 rows: 40 stored, 0 there already, 0 not taken")
}

// Stopped by Ctrl-C, a command says so and fails.
func TestStopped(t *testing.T) {
	t.Parallel()
	s := servertest.Start(t, servertest.Options{Clock: servertest.NewClock(stories).Now})
	s.Shire()
	d := sit(t, s, "adviser")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	d.env.In, d.env.Out, d.env.Err = strings.NewReader(""), &d.out, &d.err
	require.Equal(t, 1, cli.Run(ctx, d.env, []string{"list"}))
	require.Equal(t, "Stopped.\n", d.err.String())
}

// No token is ever in help, errors or output.
func TestTokenIsNeverPrinted(t *testing.T) {
	t.Parallel()
	s := servertest.Start(t, servertest.Options{Clock: servertest.NewClock(stories).Now})
	d := sit(t, s, "adviser")
	for _, args := range [][]string{{"--token", "s3cret", "whoami"}, {"--token", "s3cret", "whoami", "--help"},
		{"--token", "s3cret", "nonsense"}, {"--token", "s3cret", "find"}, {"whoami"}, {"whoami", "--json"}} {
		d.run("", args...)
		all := d.out.String() + d.err.String()
		require.NotContains(t, all, "s3cret", args)
		require.NotContains(t, all, s.Tokens["adviser"], args)
	}
}
