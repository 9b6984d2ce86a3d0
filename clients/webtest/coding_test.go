package webtest

import (
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// TestCoding codes an injury through the page: by suggestion, by looking up
// while typing, by typing a code; a wrong code is refused with those near it.
func TestCoding(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	name := h.file(t, "workplaces/northside")
	b := newTab(t, h)
	b.signIn("adviser")
	b.open("/reports/" + name)
	require.Contains(t, b.text("main"), "Not coded yet.")
	require.EqualValues(t, 200, b.send(`main a[href*="/code"]`))
	require.Contains(t, b.text("h1"), "the person hurt")
	require.Equal(t, 5, b.count("fieldset.facet"))

	// By a suggestion from the words of the report.
	require.NotZero(t, b.count("fieldset.facet:first-of-type .offers button"), "the machine suggests")
	require.Empty(t, b.value("#mechanism"), "and leaves the choice to the coder")
	first := b.text("fieldset.facet:first-of-type .offers button")
	b.tick("fieldset.facet:first-of-type .offers button")
	require.Equal(t, first, b.value("#mechanism"))
	require.Equal(t, b.text("fieldset.facet:first-of-type .offers span"), b.text("#mechanism-meaning"), "its title stands beside it")

	// By plain words, while they are typed; nothing else of the form goes along.
	b.fill("#note", "Zyxomma was in doubt.")
	b.fill("#bodily_location-words", "finger")
	b.do(chromedp.WaitVisible(chromedp.CSS("#bodily_location-found button.offer")))
	require.Contains(t, b.text("#bodily_location-found"), "inger")
	require.Empty(t, b.axe(1320))
	b.tick("#bodily_location-found button.offer")
	location := b.value("#bodily_location")
	require.NotEmpty(t, location)
	for _, u := range b.asked() {
		require.NotContains(t, u, "Zyxomma")
		require.NotContains(t, u, "finger", "what is looked up is in no address")
	}

	// By a code that is none.
	b.fill("#nature", "99999")
	require.EqualValues(t, 422, b.send("main form > p > button"))
	require.Equal(t, 1, b.count(`.wrong a[href="#nature"]`))
	require.Regexp(t, `\d{3}`, b.text(".flaw"), "the nearest codes are named: %s", b.text(".flaw"))
	require.Equal(t, "99999", b.value("#nature"))
	require.Equal(t, first, b.value("#mechanism"), "what was chosen stays")
	require.Equal(t, location, b.value("#bodily_location"))
	require.Equal(t, "Zyxomma was in doubt.", b.value("#note"))
	require.Empty(t, b.axe(1320))

	// Empty is an answer: nobody knows.
	b.fill("#nature", "")
	require.EqualValues(t, 200, b.send("main form > p > button"))
	require.Contains(t, b.text(".done"), "Coded.")
	require.Contains(t, b.text(".codes"), first)
	require.Contains(t, b.text(".codes"), location)
	require.Contains(t, b.text("main"), "Zyxomma was in doubt.")
	require.Contains(t, b.text(".history"), "coded by adviser")

	list, err := pb.NewClassificationServiceClient(h.conn).ListCodings(h.as(t, "adviser"), &pb.ListCodingsRequest{Parent: "reports/" + name})
	require.NoError(t, err)
	require.Len(t, list.GetCodings(), 1)
	require.Equal(t, first, list.GetCodings()[0].GetMechanism())
	require.Equal(t, pb.CodingOrigin_CODING_ORIGIN_PERSON, list.GetCodings()[0].GetOrigin())

	// What is stored stands in the form next time.
	b.open("/reports/" + name + "/code")
	require.Equal(t, first, b.value("#mechanism"))
	require.NotEmpty(t, b.text("#mechanism-meaning"))
	require.Equal(t, "Zyxomma was in doubt.", b.value("#note"))
	b.open("/reports?mechanism=none")
	require.Contains(t, b.text(".say"), "0 reports")
	b.quiet("coding")
}

// TestCoding_twoPeople codes in two windows: the second is told and keeps its
// choice.
func TestCoding_twoPeople(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	name := h.file(t, "workplaces/northside")
	one, two := newTab(t, h), newTab(t, h)
	for _, b := range []*tab{one, two} {
		b.signIn("adviser")
		b.open("/reports/" + name + "/code")
	}
	one.fill("#mechanism", "21")
	require.EqualValues(t, 200, one.send("main form > p > button"))
	two.fill("#mechanism", "28")
	require.EqualValues(t, 409, two.send("main form > p > button"))
	require.Contains(t, two.text(".wrong"), "Somebody else coded this first")
	require.Equal(t, "28", two.value("#mechanism"))
	require.Contains(t, two.text("fieldset.facet"), "Stored now: 21")
	require.EqualValues(t, 200, two.send("main form > p > button"))
	require.Contains(t, two.text(".codes"), "28")
}

// TestLookUp looks codes up with the form alone.
func TestLookUp(t *testing.T) {
	t.Parallel()
	b := newTab(t, demoHouse(t))
	b.withoutScript()
	b.signIn("committee")
	b.open("/codes")
	b.fill("#words", "hit by falling branch")
	require.EqualValues(t, 200, b.send("form.filter button"))
	require.Contains(t, b.text("table"), "Being hit by falling objects")
	require.Regexp(t, `^/codes\?search=`, b.path())
	require.Equal(t, "hit by falling branch", b.value("#words"))
	b.set("#facet", "agency")
	require.EqualValues(t, 200, b.send("form.filter button"))
	for _, of := range b.all("tbody td:last-child") {
		require.Equal(t, "agency of injury", of)
	}
}
