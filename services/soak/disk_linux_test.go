package soak

import (
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
)

// disk mounts a small file system of its own for a test.
func disk(t *testing.T, megabytes int) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "disk")
	require.NoError(t, os.Mkdir(dir, 0o700))
	if os.Getuid() != 0 {
		// Continuous integration runs as root, and there this never happens.
		t.Skip("NOT RUN: faults of the disk need root, to mount a small one")
	}
	require.NoError(t, syscall.Mount("tmpfs", dir, "tmpfs", 0, fmt.Sprintf("size=%dm,mode=700", megabytes)),
		"NOT RUN: root, and still no right to mount a small disk; run the container with --cap-add SYS_ADMIN")
	t.Cleanup(func() { require.NoError(t, syscall.Unmount(dir, syscall.MNT_DETACH)) })
	return dir
}

// refusals gathers what the clients were told while the disk took nothing.
type refusals struct {
	mu   sync.Mutex
	said map[string]int
}

// patient makes the tablets wait when the disk takes nothing, and write down
// what they are told.
func (c *crew) patient() *refusals {
	r := &refusals{said: map[string]int{}}
	for _, b := range c.tablets {
		b.patient = true
		b.onRefusal = func(err error) {
			r.mu.Lock()
			defer r.mu.Unlock()
			r.said[reason(err)+": "+status.Convert(err).Message()]++
		}
	}
	return r
}

func (r *refusals) all() map[string]int {
	r.mu.Lock()
	defer r.mu.Unlock()
	out := map[string]int{}
	for k, n := range r.said {
		out[k] = n
	}
	return out
}

func (r *refusals) count() (n int) {
	for _, k := range r.all() {
		n += k
	}
	return n
}

// reason is the reason of the house that a status carries.
func reason(err error) string {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetReason()
		}
	}
	return status.Code(err).String()
}

// TestFullDisk fills the disk under a running server. What is refused says so
// and is not stored; when there is room again the same server goes on.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	seed, _ := chance(t)
	dir := disk(t, 48)
	h := newHouse(t, seed, filepath.Join(dir, "data"), 6, 10*time.Millisecond)
	h.calm = false
	refused := h.crew.patient()
	h.crew.begin(t, 5*time.Minute)
	for round := range 3 {
		waitFor(t, h, "writes before the disk is full", h.crew.tally.acked.Load()+100)
		ballast := filepath.Join(dir, "ballast")
		fill(t, dir, ballast, 64<<10)
		before := refused.count()
		for began := time.Now(); refused.count() < before+30; time.Sleep(5 * time.Millisecond) {
			h.crew.alive(t)
			require.Less(t, time.Since(began), time.Minute, "the disk does not get full")
			fill(t, dir, ballast, 16<<10)
		}
		// What is there can be read and found meanwhile.
		h.requireReadable(t)
		h.crew.alive(t)
		require.NoError(t, os.Remove(ballast))
		acked := h.crew.tally.acked.Load()
		waitFor(t, h, fmt.Sprintf("writes after there is room again, time %d", round+1), acked+100)
	}
	h.crew.end(t)
	for text, n := range refused.all() {
		t.Logf("told %d times: %s", n, text)
		require.Contains(t, text, "STORE_FULL: the disk is full: nothing was stored")
	}
	h.crew.requireAll(t, h.conn)
	h.requireRebuilt(t)
	h.down(t, (*process).quit)
	requireClean(t, h.args...)
	t.Log(h.crew.tally.String())
}

// requireReadable requires that lists and search answer, and go on doing so for
// a moment.
func (h *house) requireReadable(t *testing.T) {
	t.Helper()
	ctx := with(t.Context(), h.crew.token)
	for range 20 {
		_, err := pb.NewReportServiceClient(h.conn).ListReports(ctx, &pb.ListReportsRequest{})
		require.NoError(t, err)
		// While the index is opened anew a search is told to try again.
		require.Eventually(t, func() bool {
			found, err := pb.NewSearchServiceClient(h.conn).SearchReports(ctx, &pb.SearchReportsRequest{Words: stem})
			return err == nil && found.GetTotalSize() > 0
		}, 10*time.Second, 10*time.Millisecond)
		time.Sleep(25 * time.Millisecond)
	}
}

// fill writes to a file until the disk has no more than room bytes.
func fill(t *testing.T, dir, path string, room uint64) {
	t.Helper()
	var s syscall.Statfs_t
	require.NoError(t, syscall.Statfs(dir, &s))
	free := s.Bavail * uint64(s.Bsize)
	if free <= room {
		return
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	require.NoError(t, err)
	defer f.Close()
	_, err = f.Write(make([]byte, free-room))
	if err != nil {
		// The server was quicker to take what was left.
		require.ErrorIs(t, err, syscall.ENOSPC)
	}
}

// waitFor waits until the clients have had n answers.
func waitFor(t *testing.T, h *house, what string, n int64) {
	t.Helper()
	for began := time.Now(); h.crew.tally.acked.Load() < n; time.Sleep(10 * time.Millisecond) {
		h.crew.alive(t)
		select {
		case <-h.now.done:
			t.Fatalf("the server ended by itself: %v\n%s", h.now.err, tail(h.now.said.String()))
		default:
		}
		require.Less(t, time.Since(began), time.Minute, "no %s\n%s", what, tail(h.now.said.String()))
	}
}

func tail(s string) string { return s[max(0, len(s)-3000):] }

// TestReadOnlyDisk makes the disk read-only, as a file system does that has met
// an error: a server does not start and says why, and goes on where it was when
// the disk can be written again.
func TestReadOnlyDisk(t *testing.T) {
	t.Parallel()
	seed, _ := chance(t)
	dir := disk(t, 48)
	h := newHouse(t, seed, filepath.Join(dir, "data"), 6, 10*time.Millisecond)
	h.crew.begin(t, 5*time.Minute)
	waitFor(t, h, "writes", 100)
	readOnly := func() error { return syscall.Mount("", dir, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, "") }
	// While somebody has files open for writing the kernel refuses, so that
	// this fault can only be there when a server starts.
	require.ErrorIs(t, readOnly(), syscall.EBUSY)
	h.down(t, (*process).kill)
	require.NoError(t, readOnly())
	p := launch(t, h.args...)
	<-p.done
	require.Error(t, p.err)
	require.Contains(t, p.said.String(), "read-only file system")
	p.requireDiscreet(t, false)
	require.NoError(t, syscall.Mount("", dir, "", syscall.MS_REMOUNT, ""))
	h.start(t)
	waitFor(t, h, "writes after the disk can be written again", h.crew.tally.acked.Load()+100)
	h.crew.end(t)
	h.crew.requireAll(t, h.conn)
	h.down(t, (*process).quit)
	requireClean(t, h.args...)

	// What was put away in order can be read where nothing can be written.
	require.NoError(t, readOnly())
	requireClean(t, h.args...)
}
