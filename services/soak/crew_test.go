package soak

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"

	pb "fairlead/proto/gen/fairlead/v1"
)

// crew is all the clients of one store, and what they know together.
type crew struct {
	token   string
	doors   *doors
	tally   tally
	tablets []*tablet
	// before is the end of the log when they began.
	before int64

	group *errgroup.Group
	ctx   context.Context
	stop  chan struct{}
}

// newCrew makes a tree of workplaces, one crew for each tablet, and the tablets.
func newCrew(t *testing.T, seed uint64, n int, rest time.Duration, token string, conn *grpc.ClientConn) *crew {
	t.Helper()
	c := &crew{token: token, doors: newDoors(), stop: make(chan struct{})}
	ctx := with(t.Context(), token)
	places := pb.NewWorkplaceServiceClient(conn)
	make := func(w *pb.Workplace) {
		_, err := places.CreateWorkplace(ctx, &pb.CreateWorkplaceRequest{Workplace: w})
		require.NoError(t, err)
	}
	make(&pb.Workplace{Name: "workplaces/brindle-range", Title: "Brindle Range Shire outdoor works",
		Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_ORGANISATION, TimeZone: "Australia/Sydney", Jurisdiction: "AU-NSW"})
	for i := range n {
		at := fmt.Sprintf("workplaces/crew-%d", i)
		make(&pb.Workplace{Name: at, Parent: "workplaces/brindle-range", Title: fmt.Sprintf("Crew %d", i), Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_CREW})
		c.tablets = append(c.tablets, &tablet{n: i, token: token, crew: at, doors: c.doors, tally: &c.tally, touched: map[*paper]bool{},
			rng: rand.New(rand.NewPCG(seed, uint64(i))), rest: rest, onRefusal: func(error) {}})
	}
	c.before = head(t, ctx, conn)
	return c
}

// head returns the end of the log.
func head(t *testing.T, ctx context.Context, conn *grpc.ClientConn) int64 {
	t.Helper()
	h, err := pb.NewChangeServiceClient(conn).GetHead(ctx, &pb.GetHeadRequest{})
	require.NoError(t, err)
	return h.GetSequenceNumber()
}

// begin lets the tablets work. They end by themselves when ctx ends, which it
// does only when something hangs.
func (c *crew) begin(t *testing.T, most time.Duration) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), most)
	t.Cleanup(cancel)
	c.group, c.ctx = errgroup.WithContext(ctx)
	for _, b := range c.tablets {
		c.group.Go(func() error { return b.work(c.ctx, c.stop) })
	}
}

// alive requires that no tablet has seen anything wrong so far.
func (c *crew) alive(t *testing.T) {
	t.Helper()
	if c.ctx.Err() != nil {
		require.NoError(t, c.group.Wait())
	}
}

// reach waits until the clients have had n answers.
func (c *crew) reach(t *testing.T, n int64) {
	t.Helper()
	for began := time.Now(); c.tally.acked.Load() < n; time.Sleep(5 * time.Millisecond) {
		c.alive(t)
		require.Less(t, time.Since(began), time.Minute, "the clients get no answers")
	}
}

// end lets every tablet finish what it has under way.
func (c *crew) end(t *testing.T) {
	t.Helper()
	close(c.stop)
	require.NoError(t, c.group.Wait())
}

// again begins after an end.
func (c *crew) again(t *testing.T, most time.Duration) {
	t.Helper()
	c.stop = make(chan struct{})
	c.begin(t, most)
}

// papers are the reports of all tablets.
func (c *crew) papers() []*paper {
	var all []*paper
	for _, b := range c.tablets {
		all = append(all, b.papers...)
	}
	return all
}
