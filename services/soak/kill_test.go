package soak

import (
	"flag"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
)

var (
	// kills is small in every run of the tests and a thousand before a release:
	// go test ./services/soak -run TestKill -timeout 2h -v -soak.kills 1000
	kills = flag.Int("soak.kills", 12, "how often TestKill kills the server")
	// seed makes the clients and the moments of the kills; what the processor
	// does between them no seed can repeat.
	seed = flag.Uint64("soak.seed", 0, "seed of everything random; 0 takes another each time, and says which")
)

// chance returns the chance of a test and says how to have it again.
func chance(t *testing.T) (uint64, *rand.Rand) {
	t.Helper()
	s := *seed
	if s == 0 {
		s = uint64(time.Now().UnixNano())
	}
	t.Logf("seed %d: give it as -soak.seed to make the same choices again", s)
	return s, rand.New(rand.NewPCG(s, 1<<32))
}

// house is one server over one data folder, and its clients, which it may share
// with another.
type house struct {
	n    int // its door
	data string
	// args say where the data is, to every command.
	args []string
	crew *crew
	now  *process
	conn *grpc.ClientConn
	// started are how long the starts took until the server listened.
	started []time.Duration
	// calm is false where faults are made that the log should speak of.
	calm bool
}

// keepsFor is how many kills a data folder sees before the next one is begun,
// so that a long run does not wait for ever longer checks.
const keepsFor = 100

// newHouse begins a data folder in dir and starts its server.
func newHouse(t *testing.T, seed uint64, data string, tablets int, rest time.Duration, args ...string) *house {
	t.Helper()
	h := &house{data: data, args: append([]string{"--data", data}, args...), calm: true}
	out, err := tool("access", "add", "soak", "--data", data, "--role", "adviser,administrator")
	require.NoError(t, err, out)
	token := out[:len("fl_")+32]
	h.now = launch(t, h.args...)
	h.conn, err = dial(h.now.address(t))
	require.NoError(t, err)
	h.crew = newCrew(t, seed, tablets, rest, token, h.conn)
	h.crew.doors.open(h.n, h.conn, h.crew.before)
	return h
}

// start starts the server again and lets the clients in.
func (h *house) start(t *testing.T) {
	t.Helper()
	h.now = launch(t, h.args...)
	address := h.now.address(t)
	h.started = append(h.started, time.Since(h.now.began))
	conn, err := dial(address)
	require.NoError(t, err)
	h.conn = conn
	h.crew.doors.open(h.n, conn, head(t, with(t.Context(), h.crew.token), conn))
}

// down ends the server with kill or quit.
func (h *house) down(t *testing.T, how func(*process, *testing.T)) {
	t.Helper()
	hangUp := h.crew.doors.shut(h.n)
	how(h.now, t)
	hangUp()
	h.now.requireDiscreet(t, h.calm)
}

// TestKill kills the real server again and again while clients write, and asks
// the oracle.
func TestKill(t *testing.T) {
	t.Parallel()
	seed, rng := chance(t)
	left, total, houses := *kills, int64(0), 0
	var sum tally
	var started []time.Duration
	for left > 0 {
		n := min(left, keepsFor)
		left -= n
		dir := filepath.Join(t.TempDir(), "data")
		h := newHouse(t, seed+uint64(houses), dir, 8, 12*time.Millisecond)
		houses++
		h.crew.begin(t, time.Hour)
		for i := range n {
			h.killOnce(t, rng, i)
		}
		h.crew.end(t)
		h.crew.requireAll(t, h.conn)
		h.requireRebuilt(t)
		h.down(t, (*process).quit)
		requireClean(t, h.args...)
		total += int64(n)
		started = append(started, h.started...)
		for _, x := range []struct {
			to, from interface {
				Add(int64) int64
				Load() int64
			}
		}{
			{&sum.acked, &h.crew.tally.acked}, {&sum.unheard, &h.crew.tally.unheard}, {&sum.resent, &h.crew.tally.resent},
			{&sum.stored, &h.crew.tally.stored}, {&sum.onPurpose, &h.crew.tally.onPurpose}, {&sum.lookedBack, &h.crew.tally.lookedBack},
		} {
			x.to.Add(x.from.Load())
		}
		require.NoError(t, os.RemoveAll(dir))
		t.Logf("%d kills so far: %v", total, &sum)
	}
	slices.Sort(started)
	t.Logf("%d kills in %d data folders: %v; a start took %v in the middle, %v at most",
		total, houses, &sum, started[len(started)/2].Round(time.Millisecond), started[len(started)-1].Round(time.Millisecond))
	require.NotZero(t, sum.acked.Load())
	require.NotZero(t, sum.unheard.Load(), "no kill met a call")
}

// killOnce ends the running server at a random moment and brings it back. The
// way back may be killed as well.
func (h *house) killOnce(t *testing.T, rng *rand.Rand, i int) {
	t.Helper()
	time.Sleep(time.Duration(30+rng.IntN(370)) * time.Millisecond)
	h.crew.alive(t)
	h.down(t, (*process).kill)
	if rng.IntN(5) == 0 {
		// Killed before it has come up.
		p := launch(t, h.args...)
		time.Sleep(time.Duration(rng.IntN(250)) * time.Millisecond)
		p.kill(t)
		p.requireDiscreet(t, h.calm)
	}
	if i%10 == 0 {
		// By turns on what the kill has left, and beside a running server.
		requireClean(t, h.args...)
	}
	h.start(t)
	if i%10 == 5 {
		requireClean(t, h.args...)
	}
}

// requireRebuilt requires that projections made anew from the log answer as
// those that have followed it.
func (h *house) requireRebuilt(t *testing.T) {
	t.Helper()
	ctx := with(t.Context(), h.crew.token)
	at := head(t, ctx, h.conn)
	before := figuresOf(t, ctx, h.conn, at)
	h.down(t, (*process).quit)
	out, err := tool(append([]string{"rebuild"}, h.args...)...)
	require.NoError(t, err, out)
	h.start(t)
	figuresOf(t, ctx, h.conn, at).requireSame(t, before)
}
