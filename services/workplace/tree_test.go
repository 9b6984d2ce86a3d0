package workplace

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/record"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var noon = time.Date(2026, 3, 4, 1, 0, 0, 0, time.UTC)

// shire is the beginning of the example world: an organisation, two depots, a
// crew.
func shire() []*pb.Workplace {
	return []*pb.Workplace{
		{Name: "workplaces/brindle-range", Title: "Brindle Range Shire outdoor works", Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_ORGANISATION,
			TimeZone: "Australia/Sydney", Jurisdiction: "AU-NSW"},
		{Name: "workplaces/northside", Parent: "workplaces/brindle-range", Title: "Northside depot", Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_SITE},
		{Name: "workplaces/quarry-road", Parent: "workplaces/brindle-range", Title: "Quarry Road depot",
			Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_SITE, TimeZone: "Australia/Brisbane", Jurisdiction: "AU-QLD"},
		{Name: "workplaces/northside-trees", Parent: "workplaces/northside", Title: "Northside tree crew", Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_CREW},
	}
}

func openLedger(t *testing.T) ledger.Ledger {
	t.Helper()
	l, err := sqlite.Open(context.Background(), t.TempDir(), sqlite.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, l.Close()) })
	return l
}

func write(t *testing.T, l ledger.Ledger, ws ...*pb.Workplace) int64 {
	t.Helper()
	receipt, err := l.Write(context.Background(), ledger.Request{Actor: "principals/test"}, func(ctx context.Context, tx ledger.Tx) error {
		for _, w := range ws {
			p, err := record.Put(w, w.Name, record.KindWorkplace, record.VerbCreate, ledger.Any)
			if err != nil {
				return err
			}
			if _, err := tx.Put(ctx, p); err != nil {
				return err
			}
		}
		return nil
	})
	require.NoError(t, err)
	return receipt.Seq
}

func TestTreeAnswers(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	l := openLedger(t)
	world := shire()
	world[2].CloseTime = timestamppb.New(noon.Add(time.Hour))
	seq := write(t, l, world...)
	now := noon
	tree := NewTree(l, func() time.Time { return now })
	require.Empty(t, tree.Root())
	require.Equal(t, time.UTC, tree.Location("workplaces/northside"))
	require.NoError(t, tree.CatchUp(ctx))
	require.Equal(t, seq, tree.Seq())

	require.Equal(t, "workplaces/brindle-range", tree.Root())
	require.True(t, tree.Has("workplaces/northside"))
	require.False(t, tree.Has("workplaces/nowhere"))
	crew, ok := tree.Get("workplaces/northside-trees")
	require.True(t, ok)
	require.Equal(t, "Australia/Sydney", crew.TimeZone, "from the root")
	require.Equal(t, "AU-NSW", crew.Jurisdiction)
	require.Equal(t, "r1", crew.Etag)
	depot, _ := tree.Get("workplaces/quarry-road")
	require.Equal(t, "AU-QLD", depot.Jurisdiction, "its own")
	require.Equal(t, "Australia/Brisbane", tree.Location("workplaces/quarry-road").String())
	require.Equal(t, "Australia/Sydney", tree.Location("workplaces/northside-trees").String())
	require.Equal(t, "Australia/Sydney", tree.Location("workplaces/nowhere").String(), "the root's")

	require.Equal(t, []string{"workplaces/brindle-range", "workplaces/northside", "workplaces/northside-trees"},
		tree.Path("workplaces/northside-trees"))
	require.Equal(t, []string{"workplaces/northside", "workplaces/northside-trees"}, tree.Below("workplaces/northside"))
	require.Len(t, tree.Below("workplaces/brindle-range"), 4)
	require.Nil(t, tree.Below("workplaces/nowhere"))
	require.True(t, tree.Within("workplaces/northside-trees", "workplaces/northside"))
	require.False(t, tree.Within("workplaces/northside", "workplaces/northside-trees"))
	require.False(t, tree.Within("workplaces/nowhere", "workplaces/nowhere"))

	require.False(t, tree.Closed("workplaces/quarry-road"))
	now = noon.Add(2 * time.Hour)
	require.True(t, tree.Closed("workplaces/quarry-road"))
	require.False(t, tree.ClosedAt("workplaces/quarry-road", noon))
	require.False(t, tree.Closed("workplaces/northside"))

	got, _ := tree.Get("workplaces/northside")
	got.Title = "changed by a caller"
	again, _ := tree.Get("workplaces/northside")
	require.Equal(t, "Northside depot", again.Title, "callers get copies")
}

func TestTreeFollows(t *testing.T) {
	t.Parallel()
	l := openLedger(t)
	world := shire()
	write(t, l, world[:2]...)
	tree := NewTree(l, time.Now)
	ctx, stop := context.WithCancel(context.Background())
	require.NoError(t, tree.CatchUp(ctx))
	done := make(chan error, 1)
	go func() { done <- tree.Run(ctx) }()

	seq := write(t, l, world[2:]...)
	require.NoError(t, tree.Wait(ctx, seq))
	require.Len(t, tree.Below(tree.Root()), 4)

	// A whole branch moves.
	world[1].Parent = "workplaces/quarry-road"
	require.NoError(t, tree.Wait(ctx, write(t, l, world[1])))
	require.True(t, tree.Within("workplaces/northside-trees", "workplaces/quarry-road"))
	require.Equal(t, "Australia/Brisbane", tree.Location("workplaces/northside-trees").String())

	// Closing a depot closes what is below it.
	world[2].CloseTime = timestamppb.New(time.Now().Add(-time.Minute))
	require.NoError(t, tree.Wait(ctx, write(t, l, world[2])))
	require.True(t, tree.Closed("workplaces/northside-trees"))

	// A tree built afresh is the same as the one that followed.
	fresh := NewTree(l, time.Now)
	require.NoError(t, fresh.CatchUp(ctx))
	require.Equal(t, tree.now.Load().order, fresh.now.Load().order)
	require.Equal(t, tree.Seq(), fresh.Seq())

	stop()
	require.ErrorIs(t, <-done, context.Canceled)
	require.ErrorIs(t, tree.Wait(ctx, tree.Seq()+1), context.Canceled)
}

func TestTreeWithoutItsTimeZone(t *testing.T) {
	t.Parallel()
	l := openLedger(t)
	world := shire()
	world[0].TimeZone = "Atlantis/Centre"
	write(t, l, world...)
	err := NewTree(l, time.Now).CatchUp(context.Background())
	require.ErrorContains(t, err, `time zone "Atlantis/Centre" does not load here`)
}

func TestTreeOlderRevisionChangesNothing(t *testing.T) {
	t.Parallel()
	l := openLedger(t)
	world := shire()
	write(t, l, world...)
	world[1].Title = "Northside works depot"
	write(t, l, world[1])
	tree := NewTree(l, time.Now)
	require.NoError(t, tree.CatchUp(context.Background()))
	// At least once: the log from the very beginning, again.
	changes, err := l.Changes(context.Background(), 0, 100)
	require.NoError(t, err)
	require.NoError(t, tree.apply(context.Background(), changes[:2]))
	got, _ := tree.Get("workplaces/northside")
	require.Equal(t, "Northside works depot", got.Title)
}

// TestForestAgreesWithWalkingUp compares every answer with the plain way of
// finding it: following parents.
func TestForestAgreesWithWalkingUp(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 30).Draw(t, "n")
		parent := map[string]string{}
		names := []string{}
		stored := map[string]*entry{}
		for i := range n {
			name := fmt.Sprintf("workplaces/w%02d", rapid.IntRange(0, 99).Draw(t, "id"))
			if _, taken := stored[name]; taken {
				continue
			}
			up := ""
			if i > 0 {
				up = rapid.SampledFrom(names).Draw(t, "parent")
			}
			parent[name], names = up, append(names, name)
			stored[name] = &entry{own: &pb.Workplace{Name: name, Parent: up}, revision: 1}
		}
		f, err := grow(stored)
		if err != nil {
			t.Fatal(err)
		}
		tree := &Tree{}
		tree.now.Store(f)
		path := func(w string) (p []string) {
			for ; w != ""; w = parent[w] {
				p = append([]string{w}, p...)
			}
			return p
		}
		for _, w := range names {
			var below []string
			for _, o := range names {
				if slices.Contains(path(o), w) {
					below = append(below, o)
				}
				if got, want := tree.Within(o, w), slices.Contains(path(o), w); got != want {
					t.Fatalf("Within(%s, %s) = %v, want %v", o, w, got, want)
				}
			}
			slices.Sort(below)
			if !slices.Equal(below, tree.Below(w)) || !slices.Equal(path(w), tree.Path(w)) {
				t.Fatalf("%s: below %v, path %v; want %v, %v", w, tree.Below(w), tree.Path(w), below, path(w))
			}
		}
	})
}

func TestForestOfABrokenTree(t *testing.T) {
	t.Parallel()
	f, err := grow(map[string]*entry{
		"workplaces/a": {own: &pb.Workplace{Name: "workplaces/a", Parent: "workplaces/b"}},
		"workplaces/b": {own: &pb.Workplace{Name: "workplaces/b", Parent: "workplaces/a"}},
		"workplaces/c": {own: &pb.Workplace{Name: "workplaces/c", Parent: "workplaces/gone"}},
	})
	require.NoError(t, err)
	require.Len(t, f.nodes, 3, "nothing is lost and nothing hangs")
}

func TestNearest(t *testing.T) {
	t.Parallel()
	l := openLedger(t)
	write(t, l, shire()...)
	tree := NewTree(l, time.Now)
	require.NoError(t, tree.CatchUp(context.Background()))
	for asked, want := range map[string]string{
		"workplaces/nortside":    "workplaces/northside",
		"workplaces/north-side":  "workplaces/northside",
		"workplaces/nrothside":   "workplaces/northside",
		"workplaces/quarry":      "workplaces/quarry-road",
		"workplaces/quarry-raod": "workplaces/quarry-road",
	} {
		got := tree.Nearest(asked, 3)
		require.NotEmpty(t, got, asked)
		require.Equal(t, want, got[0], asked)
	}
	require.Empty(t, tree.Nearest("workplaces/zzzzzzzzzz", 3))
	require.Len(t, tree.Nearest("workplaces/northside", 1), 1)
}

// failing is a log that cannot be read.
type failing struct{ ledger.Ledger }

var errDisk = errors.New("disk on fire")

func (failing) Head(context.Context) (ledger.Head, error) { return ledger.Head{}, errDisk }

func TestTreeReportsAReadError(t *testing.T) {
	t.Parallel()
	require.ErrorIs(t, NewTree(failing{}, time.Now).CatchUp(context.Background()), errDisk)
}
