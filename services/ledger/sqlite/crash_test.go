//go:build unix

package sqlite

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"fairlead/services/ledger"
)

// The test binary is also the process that gets killed: with these set it
// writes to a folder instead of running tests.
const (
	childMode = "FAIRLEAD_TEST_CHILD"
	childDir  = "FAIRLEAD_TEST_DIR"
)

func TestMain(m *testing.M) {
	dir := os.Getenv(childDir)
	switch os.Getenv(childMode) {
	case "":
		os.Exit(m.Run())
	case "write":
		childMain(childWrite(dir))
	case "full":
		childMain(childFull(dir))
	}
}

func childMain(err error) {
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

// say tells the parent in one write call, so that a kill cannot cut it.
func say(format string, args ...any) { fmt.Fprintf(os.Stdout, format+"\n", args...) }

// send files report id and its twin with one request, in a child or again in
// the parent.
func send(s *Store, id string) (ledger.Receipt, error) {
	r := ledger.Request{Actor: "devices/tablet-1", ID: id}
	return s.Write(context.Background(), r, func(ctx context.Context, tx ledger.Tx) error {
		for _, name := range []string{"reports/" + id, "twins/" + id} {
			body := []byte(strings.Repeat(id+" ", 40))
			if _, err := tx.Put(ctx, ledger.Put{Name: name, Kind: "Report", Verb: "file", Body: body}); err != nil {
				return err
			}
		}
		tx.SetAnswer([]byte(id))
		return nil
	})
}

// childWrite writes with many goroutines until it is killed.
func childWrite(dir string) error {
	s, err := Open(context.Background(), dir, Options{})
	if err != nil {
		return err
	}
	head, err := s.Head(context.Background())
	if err != nil {
		return err
	}
	var wg sync.WaitGroup
	for w := range 8 {
		wg.Go(func() {
			for i := 0; ; i++ {
				id := fmt.Sprintf("%d-%d-%d", head.Seq, w, i)
				say("try %s", id)
				r, err := send(s, id)
				if err != nil {
					say("err %s %v", id, err)
					return
				}
				say("ack %s %d", id, r.Seq)
			}
		})
	}
	wg.Wait()
	return nil
}

// heard is what a child said before it died.
type heard struct {
	tried []string
	acked map[string]int64
	errs  []string
}

func listen(t *testing.T, out *bufio.Scanner) heard {
	h := heard{acked: map[string]int64{}}
	for out.Scan() {
		f := strings.SplitN(out.Text(), " ", 3)
		switch f[0] {
		case "try":
			h.tried = append(h.tried, f[1])
		case "ack":
			seq, err := strconv.ParseInt(f[2], 10, 64)
			require.NoError(t, err)
			h.acked[f[1]] = seq
		case "err":
			h.errs = append(h.errs, f[2])
		}
	}
	return h
}

func child(t *testing.T, mode, dir string) (*exec.Cmd, *bufio.Scanner) {
	t.Helper()
	exe, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), childMode+"="+mode, childDir+"="+dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	return cmd, bufio.NewScanner(out)
}

// once requires that a report and its twin are there, written once, as said.
func once(t *testing.T, s *Store, id string, seq int64) {
	t.Helper()
	for i, name := range []string{"reports/" + id, "twins/" + id} {
		history, err := s.History(t.Context(), name)
		require.NoError(t, err, "acknowledged, then lost")
		require.Len(t, history, 1, "written twice")
		require.Equal(t, seq-1+int64(i), history[0].Seq)
	}
}

// crashRounds is small in every run of the tests and a thousand before a
// release: go test ./services/ledger/sqlite -run TestCrash$ -timeout 1h -crash.rounds 1000
var crashRounds = flag.Int("crash.rounds", 20, "how often TestCrash kills a writing process")

// TestCrash kills a writing process again and again.
func TestCrash(t *testing.T) {
	dir := t.TempDir()
	acked := map[string]int64{}
	open := 0
	for range *crashRounds {
		cmd, out := child(t, "write", dir)
		// From before the folder is open until some dozen commits later.
		timer := time.AfterFunc(time.Duration(rand.IntN(120))*time.Millisecond, func() { _ = cmd.Process.Kill() })
		h := listen(t, out)
		timer.Stop()
		require.Error(t, cmd.Wait(), "the child ends by the kill alone")
		require.Empty(t, h.errs)

		s, err := Open(t.Context(), dir, Options{})
		require.NoError(t, err)
		requireSound(t, s)
		for id, seq := range h.acked {
			once(t, s, id, seq)
			acked[id] = seq
		}
		// The device never heard, and sends again: either it was written
		// and is answered from memory, or it is written now.
		for _, id := range h.tried {
			r, err := send(s, id)
			require.NoError(t, err)
			if seq, ok := h.acked[id]; ok {
				require.True(t, r.Replayed)
				require.Equal(t, seq, r.Seq)
			} else {
				open++
			}
			require.Equal(t, id, string(r.Answer))
			once(t, s, id, r.Seq)
		}
		require.NoError(t, s.Close())
	}
	s := openStore(t, dir, Options{})
	for id, seq := range acked {
		once(t, s, id, seq)
	}
	report := requireSound(t, s)
	require.Equal(t, report.Changes, report.Resources)
	t.Logf("%d rounds, %d acknowledged, %d under way when killed, %d changes", *crashRounds, len(acked), open, report.Changes)
	require.NotEmpty(t, acked, "the children never got to write")
}

// childFull writes into a limit on file sizes, which makes SQLite's writes fail
// in the middle of a commit, then lifts it and writes on.
func childFull(dir string) error {
	signal.Ignore(unix.SIGXFSZ)
	s, err := Open(context.Background(), dir, Options{})
	if err != nil {
		return err
	}
	var limit unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_FSIZE, &limit); err != nil {
		return err
	}
	free := limit.Cur
	fill := func(phase string, n int) {
		var wg sync.WaitGroup
		for w := range 8 {
			wg.Go(func() {
				for i := range n {
					id := fmt.Sprintf("%s-%d-%d", phase, w, i)
					if r, err := send(s, id); err != nil {
						say("err %s %v", id, err)
					} else {
						say("ack %s %d", id, r.Seq)
					}
				}
			})
		}
		wg.Wait()
	}
	limit.Cur = 300 << 10
	if err := unix.Setrlimit(unix.RLIMIT_FSIZE, &limit); err != nil {
		return err
	}
	fill("tight", 60)
	limit.Cur = free
	if err := unix.Setrlimit(unix.RLIMIT_FSIZE, &limit); err != nil {
		return err
	}
	fill("free", 5)
	return s.Close()
}

func TestCrash_writesFail(t *testing.T) {
	dir := t.TempDir()
	cmd, out := child(t, "full", dir)
	h := listen(t, out)
	require.NoError(t, cmd.Wait())
	require.NotEmpty(t, h.errs, "the limit was never reached")
	s := openStore(t, dir, Options{})
	report := requireSound(t, s)
	for id, seq := range h.acked {
		once(t, s, id, seq)
	}
	for w := range 8 {
		require.Contains(t, h.acked, fmt.Sprintf("free-%d-4", w), "writing must go on when there is room again")
	}
	require.Equal(t, int64(2*len(h.acked)), report.Changes, "what was reported as failed must not be there")
}

// TestTornLog cuts and damages the write-ahead log as a power cut may: what is
// left is the log up to some commit, and every commit whose sync had returned.
func TestTornLog(t *testing.T) {
	dir := t.TempDir()
	s := openStore(t, dir, Options{})
	wal := filepath.Join(dir, dataFile+"-wal")
	size := func() int {
		info, err := os.Stat(wal)
		require.NoError(t, err)
		return int(info.Size())
	}
	ends := []int{size()} // ends[n] is where commit n ends in the file
	const commits = 25
	for i := range commits {
		mustWrite(t, s, fmt.Sprintf("reports/%d", i), strings.Repeat("x", i*300))
		ends = append(ends, size())
	}
	all, err := s.Changes(t.Context(), 0, 100)
	require.NoError(t, err)
	base, err := os.ReadFile(filepath.Join(dir, dataFile))
	require.NoError(t, err)
	log, err := os.ReadFile(wal)
	require.NoError(t, err)

	check := func(what string, log []byte, want int) {
		torn := t.TempDir()
		require.NoError(t, os.WriteFile(filepath.Join(torn, dataFile), base, 0o600))
		require.NoError(t, os.WriteFile(filepath.Join(torn, dataFile+"-wal"), log, 0o600))
		s, err := Open(t.Context(), torn, Options{})
		require.NoError(t, err, what)
		defer s.Close()
		require.Equal(t, int64(want), requireSound(t, s).Changes, what)
		got, err := s.Changes(t.Context(), 0, 100)
		require.NoError(t, err)
		require.Equal(t, all[:want], append([]ledger.Change{}, got...), what)
		require.Equal(t, int64(want+1), mustWrite(t, s, "reports/next", "x").Seq)
	}
	for n := 0; n <= commits; n += 5 {
		check(fmt.Sprintf("cut after commit %d", n), log[:ends[n]], n)
		if n < commits {
			between := ends[n] + 1 + rand.IntN(ends[n+1]-ends[n]-1)
			check(fmt.Sprintf("cut within commit %d", n+1), log[:between], n)
			torn := append([]byte(nil), log...)
			torn[between] ^= 0x40
			check(fmt.Sprintf("a bit wrong within commit %d", n+1), torn, n)
		}
	}
	require.NoError(t, errors.Join(s.Close()))
}
