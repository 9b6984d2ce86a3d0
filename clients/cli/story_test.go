package cli_test

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"fairlead/clients/cli"
	"fairlead/services/server/servertest"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"fairlead": func() { os.Exit(cli.Main()) }})
}

// stories is when all stories happen.
var stories = time.Date(2026, 3, 20, 9, 0, 0, 0, time.UTC)

// TestStories runs every testdata/*.txt against a real server of its own.
func TestStories(t *testing.T) {
	t.Parallel()
	testscript.Run(t, testscript.Params{
		Dir: "testdata",
		Setup: func(env *testscript.Env) error {
			tb := env.T().(testing.TB)
			s := servertest.Start(tb, servertest.Options{Clock: servertest.NewClock(stories).Now})
			for role, token := range s.Tokens {
				env.Setenv("TOKEN_"+role, token)
			}
			env.Setenv("FAIRLEAD_ADDRESS", s.GRPC)
			env.Setenv("XDG_CACHE_HOME", env.WorkDir+"/cache")
			env.Setenv("XDG_CONFIG_HOME", env.WorkDir+"/config")
			env.Setenv("LC_ALL", "C.UTF-8")
			env.Values["server"] = s
			return copyTables(env.WorkDir)
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"shire": shire, "as": as, "exits": exits, "keep": keep, "photo": photo,
		},
	})
}

// shire makes the workplaces of the demo world.
func shire(ts *testscript.TestScript, _ bool, _ []string) {
	ts.Value("server").(*servertest.Server).Shire()
}

// as ROLE makes the following commands those of a role; nobody has no token.
func as(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 1 {
		ts.Fatalf("usage: as ROLE")
	}
	ts.Setenv("FAIRLEAD_TOKEN", ts.Getenv("TOKEN_"+args[0]))
}

// exits CODE COMMAND ARGS runs a command and wants its exit code.
func exits(ts *testscript.TestScript, _ bool, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	got := 0
	if e, ok := err.(*exec.ExitError); ok {
		got = e.ExitCode()
	} else if err != nil {
		ts.Fatalf("%v", err)
	}
	if got != want {
		ts.Fatalf("%v exits with %d, want %d", args[1:], got, want)
	}
}

// keep NAME PATTERN keeps the first group of a pattern in the last output.
func keep(ts *testscript.TestScript, _ bool, args []string) {
	m := regexp.MustCompile(args[1]).FindStringSubmatch(ts.ReadFile("stdout"))
	if m == nil {
		ts.Fatalf("no %s in:\n%s", args[1], ts.ReadFile("stdout"))
	}
	ts.Setenv(args[0], m[1])
}

// photo FILE writes a picture that says more than it shows.
func photo(ts *testscript.TestScript, _ bool, args []string) {
	var b bytes.Buffer
	ts.Check(png.Encode(&b, image.NewGray(image.Rect(0, 0, 40, 30))))
	words := []byte("tEXtComment\x00SECRET")
	note := binary.BigEndian.AppendUint32(nil, uint32(len(words)-4))
	note = binary.BigEndian.AppendUint32(append(note, words...), crc32.ChecksumIEEE(words))
	const header = 33 // mark and first chunk
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), slices.Concat(b.Bytes()[:header], note, b.Bytes()[header:]), 0o600))
}

// copyTables lays the tables of the importer's own tests into a story's
// folder.
func copyTables(dir string) error {
	for _, name := range []string{"osha_severe_injury.csv", "osha_investigations.csv.gz", "register.csv"} {
		b, err := os.ReadFile(filepath.Join("..", "importer", "testdata", name))
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			return err
		}
	}
	return nil
}
