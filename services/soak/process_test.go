package soak

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// binary is the fairlead-server that TestMain has built.
var binary string

func TestMain(m *testing.M) {
	os.Exit(func() int {
		dir, err := os.MkdirTemp("", "fairlead-soak-")
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		defer os.RemoveAll(dir)
		binary = filepath.Join(dir, "fairlead-server")
		if out, err := exec.Command("go", "build", "-o", binary, "fairlead/services/cmd/fairlead-server").CombinedOutput(); err != nil {
			fmt.Fprintf(os.Stderr, "build the server: %v\n%s", err, out)
			return 1
		}
		return m.Run()
	}())
}

// tool runs a command of the server and returns what it said and how it ended.
func tool(args ...string) (string, error) {
	out, err := exec.Command(binary, args...).CombinedOutput()
	return string(out), err
}

// requireClean runs `check` and requires that it finds nothing.
func requireClean(t *testing.T, args ...string) {
	t.Helper()
	out, err := tool(append([]string{"check"}, args...)...)
	require.NoError(t, err, out)
	require.Contains(t, out, "clean")
}

// said is what a process wrote. Stdout and stderr go to the same place.
type said struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// Write implements io.Writer.
func (s *said) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *said) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// process is one run of `fairlead-server run`.
type process struct {
	cmd   *exec.Cmd
	said  said
	began time.Time
	done  chan struct{} // closed when it has ended, with err
	err   error
}

var grpcAt = regexp.MustCompile(`Programs: +([^ ]+) \(gRPC`)

// launch starts a server and waits for nothing.
func launch(t *testing.T, args ...string) *process {
	t.Helper()
	p := &process{done: make(chan struct{}), began: time.Now()}
	p.cmd = exec.Command(binary, append([]string{"run", "--grpc", "localhost:0", "--web", "localhost:0", "--calls-principal", "0", "--calls-address", "0"}, args...)...)
	p.cmd.Stdout, p.cmd.Stderr = &p.said, &p.said
	require.NoError(t, p.cmd.Start())
	go func() {
		p.err = p.cmd.Wait()
		close(p.done)
	}()
	t.Cleanup(func() {
		_ = p.cmd.Process.Kill()
		<-p.done
		if t.Failed() {
			p.complain(t)
		}
	})
	return p
}

// address waits until the server listens.
func (p *process) address(t *testing.T) string {
	t.Helper()
	for ; time.Since(p.began) < time.Minute; time.Sleep(2 * time.Millisecond) {
		text := p.said.String()
		if strings.Contains(text, "Stop with Ctrl-C") {
			return grpcAt.FindStringSubmatch(text)[1]
		}
		select {
		case <-p.done:
			t.Fatalf("the server did not start: %v\n%s", p.err, p.said.String())
		default:
		}
	}
	// What it is doing instead.
	_ = p.cmd.Process.Signal(syscall.SIGQUIT)
	<-p.done
	t.Fatalf("the server gives no sign of life\n%s", p.said.String())
	return ""
}

// complain shows the last of what the server found wrong.
func (p *process) complain(t *testing.T) {
	t.Helper()
	var wrong []string
	for line := range strings.SplitSeq(p.said.String(), "\n") {
		if strings.Contains(line, "level=ERROR") && !strings.Contains(line, "broke off") {
			wrong = append(wrong, line)
		}
	}
	if n := len(wrong); n > 0 {
		t.Logf("the server that began %s said last:\n%s", p.began.Format(time.TimeOnly), strings.Join(wrong[max(0, n-20):], "\n"))
	}
}

// kill ends the server as a power cut ends a program: at once.
func (p *process) kill(t *testing.T) {
	t.Helper()
	require.NoError(t, p.cmd.Process.Kill())
	<-p.done
	var exit *exec.ExitError
	require.True(t, errors.As(p.err, &exit) && exit.Sys().(syscall.WaitStatus).Signal() == syscall.SIGKILL,
		"the server had ended by itself: %v\n%s", p.err, p.said.String())
}

// quit asks the server to stop, as an operator does.
func (p *process) quit(t *testing.T) {
	t.Helper()
	require.NoError(t, p.cmd.Process.Signal(syscall.SIGTERM))
	<-p.done
	require.NoError(t, p.err, p.said.String())
}

// requireDiscreet requires that the server's log has no word of what was told,
// and, unless faults were made, nothing that somebody should look at.
func (p *process) requireDiscreet(t *testing.T, calm bool) {
	t.Helper()
	for line := range strings.SplitSeq(p.said.String(), "\n") {
		require.NotContains(t, strings.ToLower(line), stem, "the log has words of a report")
		require.NotContains(t, line, "fl_", "the log has a token")
		require.NotContains(t, line, "panic")
		if calm {
			require.NotContains(t, line, "level=ERROR")
			require.NotContains(t, line, "level=WARN")
		}
	}
}
