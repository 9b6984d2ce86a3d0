package demo

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

func TestDraw(t *testing.T) {
	t.Parallel()
	loc, err := time.LoadLocation(TimeZone)
	require.NoError(t, err)
	now := time.Date(2026, 7, 14, 12, 0, 0, 0, loc)
	w := draw(DefaultSeed, now, loc)
	again := draw(DefaultSeed, now, loc)
	require.Equal(t, len(w.events), len(again.events), "the same seed draws the same world")
	require.Equal(t, w.events[100].text, again.events[100].text)
	require.Equal(t, 210, People())

	lucky := 0
	nearMisses := map[string]int{}
	for _, e := range w.events {
		require.NotContains(t, e.text, "{spot}")
		require.False(t, e.filed.Before(e.at))
		require.True(t, e.filed.Before(now))
		if e.crew.id == "quarry-road-roads" && e.month == luckyMonth && len(e.steps) > 0 &&
			e.steps[0].outcome == pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME {
			lucky++
		}
		if e.kind == nearMiss {
			nearMisses[e.crew.id]++
		}
	}
	require.GreaterOrEqual(t, lucky, 3)
	require.Less(t, nearMisses["quarry-road-drainage"], nearMisses["quarry-road-roads"]/5, "drainage hardly reports")
	t.Logf("%d events, %d hours rows", len(w.events), len(w.hours))
}

func TestNamesAreDistinct(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for i := range People() {
		require.False(t, seen[personName(i)], personName(i))
		seen[personName(i)] = true
	}
}

// TestSketch draws every place, each its own.
func TestSketch(t *testing.T) {
	t.Parallel()
	seen := map[string]string{}
	for _, c := range crews {
		require.NotEmpty(t, sketches[c.stories], c.id)
		key := string(sketch(c.stories).Pix)
		require.Empty(t, seen[key], "%s looks like %s", c.stories, seen[key])
		seen[key] = c.stories
	}
}
