package main

import (
	"bytes"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"fairlead-server": main})
}

// TestStories runs what people type, one story per file. Beside the usual
// commands of a script there are:
//
//	serve [args...]   starts `fairlead-server run` on free ports and waits for
//	                  its sign of life; sets $WEB, $GRPC and, at a first start,
//	                  $TOKEN
//	quit TERM|INT|KILL  sends the signal, waits, and shows what the server said;
//	                  an exit code other than 0 fails, but for KILL
//	web VERB path [body]  sends a request with $TOKEN and shows the answer;
//	                  `! web` wants a refusal
//	soon VERB path    the same, again and again until it succeeds (`! soon`:
//	                  until it is refused), for seconds
//	swap file a b     replaces bytes in a file
//	readtoken file    sets $TOKEN to the first line of a file
//	grown file n      waits until a file has n bytes
//	listen            listens on a free port, $TAKEN
//	exits n command   runs a command and wants its exit code
//	truncated folder  cuts every file in the folder of an index short
//	schema1 folder    lays a data folder of the first version there
//	busy              files reports one after the other until `rest`, which sets
//	                  $FILED to how many were acknowledged
//	newer folder      makes a ledger say that a newer program wrote it
func TestStories(t *testing.T) {
	t.Parallel()
	testscript.Run(t, testscript.Params{
		Dir: "testdata",
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"serve": serve, "quit": quit, "web": call, "soon": soon, "swap": swap, "listen": listen, "readtoken": readToken, "grown": grown,
			"exits": exits, "truncated": truncated, "schema1": schema1, "newer": newer, "busy": busy, "rest": rest,
		},
		Setup: func(e *testscript.Env) error {
			e.Values[running{}] = &started{}
			e.Values[filing{}] = &crew{}
			return nil
		},
	})
}

// running is the key under which a script keeps its server.
type running struct{}

// started is a fairlead-server and what it has said so far.
type started struct {
	cmd  *exec.Cmd
	mu   sync.Mutex
	said bytes.Buffer
	log  bytes.Buffer
	done chan error
}

// Write implements io.Writer for what the server says.
func (s *started) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.said.Write(p)
}

func (s *started) text() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.said.String()
}

var (
	token  = regexp.MustCompile(`(?m)^ {4}(fl_[a-z2-7]{32})$`)
	webAt  = regexp.MustCompile(`Pages: +http://([^/]+)/`)
	grpcAt = regexp.MustCompile(`Programs: +([^ ]+) \(gRPC`)
)

func serve(ts *testscript.TestScript, neg bool, args []string) {
	s := ts.Value(running{}).(*started)
	if neg || s.cmd != nil {
		ts.Fatalf("serve: once at a time")
	}
	path, err := exec.LookPath("fairlead-server")
	ts.Check(err)
	*s = started{done: make(chan error, 1)}
	s.cmd = exec.Command(path, append([]string{"run", "--grpc", "localhost:0", "--web", "localhost:0"}, args...)...)
	s.cmd.Dir = ts.Getenv("WORK")
	for _, name := range []string{"PATH", "FAIRLEAD_DATA", "FAIRLEAD_METRICS", "TMPDIR"} {
		if v := ts.Getenv(name); v != "" {
			s.cmd.Env = append(s.cmd.Env, name+"="+v)
		}
	}
	s.cmd.Stdout, s.cmd.Stderr = s, &s.log
	ts.Check(s.cmd.Start())
	go func() { s.done <- s.cmd.Wait() }()
	ts.Defer(func() {
		if s.cmd != nil {
			_ = s.cmd.Process.Kill()
			<-s.done
		}
	})
	for began := time.Now(); !strings.Contains(s.text(), "Stop with Ctrl-C"); time.Sleep(5 * time.Millisecond) {
		select {
		case err := <-s.done:
			s.cmd = nil
			ts.Fatalf("serve: no sign of life: %v\n%s\n%s", err, s.text(), s.log.String())
		default:
		}
		if time.Since(began) > patience {
			ts.Fatalf("serve: no sign of life\n%s", s.text())
		}
	}
	ts.Setenv("WEB", webAt.FindStringSubmatch(s.text())[1])
	ts.Setenv("GRPC", grpcAt.FindStringSubmatch(s.text())[1])
	if m := token.FindStringSubmatch(s.text()); m != nil {
		ts.Setenv("TOKEN", m[1])
	}
	fmt.Fprint(ts.Stdout(), s.text())
}

func quit(ts *testscript.TestScript, neg bool, args []string) {
	s := ts.Value(running{}).(*started)
	signals := map[string]os.Signal{"TERM": syscall.SIGTERM, "INT": os.Interrupt, "KILL": os.Kill}
	if neg || s.cmd == nil || len(args) != 1 || signals[args[0]] == nil {
		ts.Fatalf("usage: quit TERM|INT|KILL, of a running server")
	}
	ts.Check(s.cmd.Process.Signal(signals[args[0]]))
	err := <-s.done
	s.cmd = nil
	fmt.Fprint(ts.Stdout(), s.text())
	fmt.Fprint(ts.Stderr(), s.log.String())
	if err != nil && args[0] != "KILL" {
		ts.Fatalf("the server ended badly: %v\n%s", err, s.log.String())
	}
}

// client keeps no connection, so that a stopping server waits for none.
var client = &http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}

// ask sends a request with $TOKEN.
func ask(ts *testscript.TestScript, args []string) (int, string, error) {
	body := ""
	if len(args) == 3 {
		body = args[2]
	}
	req, err := http.NewRequest(args[0], "http://"+ts.Getenv("WEB")+args[1], strings.NewReader(body))
	if err != nil {
		return 0, "", err
	}
	req.Header.Set("Authorization", "Bearer "+ts.Getenv("TOKEN"))
	resp, err := client.Do(req)
	if err != nil {
		return 0, "", err
	}
	defer resp.Body.Close()
	out, err := io.ReadAll(resp.Body)
	return resp.StatusCode, string(out), err
}

func call(ts *testscript.TestScript, neg bool, args []string) {
	code, out, err := ask(ts, args)
	ts.Check(err)
	fmt.Fprintln(ts.Stdout(), out)
	if (code >= 400) != neg {
		ts.Fatalf("web %v: %d %s", args, code, out)
	}
}

func soon(ts *testscript.TestScript, neg bool, args []string) {
	code, out, err := 0, "", error(nil)
	for began := time.Now(); time.Since(began) < 20*time.Second; time.Sleep(100 * time.Millisecond) {
		if code, out, err = ask(ts, args); err == nil && (code >= 400) == neg {
			fmt.Fprintln(ts.Stdout(), out)
			return
		}
	}
	ts.Fatalf("soon %v: still %d %s %v", args, code, out, err)
}

func swap(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 3 || len(args[1]) != len(args[2]) {
		ts.Fatalf("usage: swap file a b, of the same length")
	}
	raw := ts.ReadFile(args[0])
	if !strings.Contains(raw, args[1]) {
		ts.Fatalf("%s does not hold %s", args[0], args[1])
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(strings.ReplaceAll(raw, args[1], args[2])), 0o600))
}

func grown(ts *testscript.TestScript, _ bool, args []string) {
	n, err := strconv.ParseInt(args[1], 10, 64)
	ts.Check(err)
	for began := time.Now(); time.Since(began) < time.Minute; time.Sleep(5 * time.Millisecond) {
		if info, err := os.Stat(ts.MkAbs(args[0])); err == nil && info.Size() >= n {
			return
		}
	}
	ts.Fatalf("%s does not grow to %d bytes", args[0], n)
}

func readToken(ts *testscript.TestScript, _ bool, args []string) {
	line, _, _ := strings.Cut(ts.ReadFile(args[0]), "\n")
	ts.Setenv("TOKEN", line)
}

func listen(ts *testscript.TestScript, _ bool, _ []string) {
	l, err := net.Listen("tcp", "localhost:0")
	ts.Check(err)
	ts.Defer(func() { _ = l.Close() })
	ts.Setenv("TAKEN", l.Addr().String())
}

func exits(ts *testscript.TestScript, _ bool, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	var failed *exec.ExitError
	if err := ts.Exec(args[1], args[2:]...); errors.As(err, &failed) {
		got = failed.ExitCode()
	} else {
		ts.Check(err)
	}
	if got != want {
		ts.Fatalf("%v exits with %d, want %d", args[1:], got, want)
	}
}

func truncated(ts *testscript.TestScript, _ bool, args []string) {
	segments, err := filepath.Glob(filepath.Join(ts.MkAbs(args[0]), "*.zap"))
	ts.Check(err)
	if len(segments) == 0 {
		ts.Fatalf("%s has no segments", args[0])
	}
	// The list of snapshots too: with it an older one, of an index that held
	// less, may still open, and the rest would be brought up to date at start.
	for _, s := range append(segments, filepath.Join(ts.MkAbs(args[0]), "root.bolt")) {
		ts.Check(os.Truncate(s, 10))
	}
}

// schemaOne is read before the stories change the folder they run in.
var schemaOne, _ = filepath.Abs(filepath.Join("..", "..", "server", "keep", "testdata", "schema1"))

func schema1(ts *testscript.TestScript, _ bool, args []string) {
	ts.Check(os.CopyFS(ts.MkAbs(args[0]), os.DirFS(schemaOne)))
}

func newer(ts *testscript.TestScript, _ bool, args []string) {
	db, err := sql.Open("sqlite", filepath.Join(ts.MkAbs(args[0]), ledgerFile))
	ts.Check(err)
	_, err = db.Exec("INSERT INTO goose_db_version (version_id, is_applied) VALUES (99, 1)")
	ts.Check(errors.Join(err, db.Close()))
}

// filing is the key under which a script keeps who files meanwhile.
type filing struct{}

// crew files reports while a story goes on.
type crew struct {
	stop  chan struct{}
	filed chan int
}

func busy(ts *testscript.TestScript, _ bool, _ []string) {
	c := ts.Value(filing{}).(*crew)
	*c = crew{make(chan struct{}), make(chan int, 1)}
	web, token := ts.Getenv("WEB"), ts.Getenv("TOKEN")
	stop := c.stop
	go func() {
		n := 0
		defer func() { c.filed <- n }()
		for {
			select {
			case <-stop:
				return
			default:
			}
			body := fmt.Sprintf(`{"report":{"kind":"REPORT_KIND_HAZARD","workplace":"workplaces/brindle-range","narrative":"gravel, load %d"}}`, n)
			req, err := http.NewRequest(http.MethodPost, "http://"+web+"/v1/reports", strings.NewReader(body))
			if err != nil {
				return
			}
			req.Header.Set("Authorization", "Bearer "+token)
			resp, err := client.Do(req)
			if err != nil {
				return
			}
			_ = resp.Body.Close() // only the code matters
			if resp.StatusCode != http.StatusOK {
				return
			}
			n++
		}
	}()
	ts.Defer(func() { rest(ts, false, nil) })
}

func rest(ts *testscript.TestScript, _ bool, _ []string) {
	c := ts.Value(filing{}).(*crew)
	if c.stop == nil {
		return
	}
	close(c.stop)
	ts.Setenv("FILED", strconv.Itoa(<-c.filed))
	c.stop = nil
}

// patience is how long a story waits for a server's first words. Making the
// demonstration is four thousand durable writes: seconds on a quiet machine,
// minutes beside browsers and crash tests.
const patience = 8 * time.Minute
