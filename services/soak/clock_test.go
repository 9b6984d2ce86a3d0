package soak

import (
	"math/rand/v2"
	"sync/atomic"
	"testing"
	"time"
	_ "time/tzdata" // workplaces name time zones whatever machine tests run on

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/server/servertest"
)

// TestClockJumps turns the server's clock back and ahead by days while clients
// write. The order of the log is that of its numbers, and no change is stamped
// before the one before it.
func TestClockJumps(t *testing.T) {
	t.Parallel()
	seed, rng := chance(t)
	var ahead atomic.Int64
	clock := func() time.Time { return time.Now().Add(time.Duration(ahead.Load())) }
	who := access.NewDirectory()
	require.NoError(t, who.AddWithToken(access.Principal{Name: "principals/soak", DisplayName: "soak",
		Roles: []pb.Role{pb.Role_ROLE_ADVISER, pb.Role_ROLE_ADMINISTRATOR}}, "soak"))
	s := servertest.Start(t, servertest.Options{Clock: clock, Directory: who})
	c := newCrew(t, seed, 6, 5*time.Millisecond, "soak", s.Conn())
	c.doors.open(0, s.Conn(), c.before)
	c.begin(t, 5*time.Minute)
	jumps := 0
	for began := time.Now(); time.Since(began) < 2*time.Second; jumps++ {
		time.Sleep(time.Duration(20+rng.IntN(60)) * time.Millisecond)
		ahead.Store(int64(jump(rng)))
		c.alive(t)
	}
	c.end(t)
	c.requireAll(t, s.Conn())
	requireStampsInOrder(t, s.Conn(), "soak")
	requireClean(t, "--data", s.Data)
	t.Logf("%d jumps of the clock: %v", jumps, &c.tally)
}

// jump is how far a clock is off: days back, days ahead, or right.
func jump(rng *rand.Rand) time.Duration {
	switch rng.IntN(4) {
	case 0:
		return -time.Duration(rng.IntN(40*24)) * time.Hour
	case 1:
		return time.Duration(rng.IntN(40*24)) * time.Hour
	case 2:
		return time.Duration(rng.IntN(7200)-3600) * time.Second
	}
	return 0
}

// requireStampsInOrder reads the log's own times, which are those of the days
// for what was told without a name.
func requireStampsInOrder(t *testing.T, conn *grpc.ClientConn, token string) {
	t.Helper()
	ctx := metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+token)
	var last time.Time
	for _, ch := range requireChain(t, ctx, conn) {
		if ch.GetActor() == "" {
			continue // only its day is told
		}
		at := ch.GetChangeTime().AsTime()
		require.False(t, at.Before(last), "change %d is stamped %v, after one of %v", ch.GetSequenceNumber(), at, last)
		last = at
	}
}
