package webtest

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// TestWorkplaces adds a crew, renames it, moves it, and closes it.
func TestWorkplaces(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	b := newTab(t, h)
	b.signIn("administrator")
	b.open("/workplaces")
	b.fill("#add-title", "Bridge crew")
	b.fill("#add-id", "bridge crew")
	require.EqualValues(t, 422, b.send(`form[action="/workplaces"] button`))
	require.NotZero(t, b.count(`.wrong a[href="#add-id"]`), b.text(".wrong"))
	require.NotZero(t, b.count(`.wrong a[href="#add-level"]`), b.text(".wrong"))
	require.Equal(t, "Bridge crew", b.value("#add-title"))
	b.fill("#add-id", "bridge-crew")
	b.set("#add-level", "crew")
	b.set("#add-parent", "workplaces/northside")
	require.EqualValues(t, 200, b.send(`form[action="/workplaces"] button`))
	require.Contains(t, b.text("#bridge-crew"), "Bridge crew")
	b.looked("workplaces")
	b.open("/workplaces")
	b.unfold("#bridge-crew details")
	b.fill("#bridge-crew-title", "Bridges")
	b.set("#bridge-crew-parent", "workplaces/quarry-road")
	require.EqualValues(t, 200, b.send(`form[action="/workplaces/bridge-crew"] button`))
	require.Contains(t, b.text("#bridge-crew h3"), "Bridges")
	b.unfold("#bridge-crew details")
	b.fill("#bridge-crew-zone", "Brindle/Range")
	require.EqualValues(t, 422, b.send(`form[action="/workplaces/bridge-crew"] button`))
	require.NotZero(t, b.count(`.wrong a[href="#bridge-crew-zone"]`), b.text(".wrong"))
	b.open("/workplaces")
	b.unfold("#bridge-crew details")
	require.EqualValues(t, 200, b.send(`form[action="/workplaces/bridge-crew/close"] button`))
	require.Contains(t, b.text("#bridge-crew h3"), "closed")
}
