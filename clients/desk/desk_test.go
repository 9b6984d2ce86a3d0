package desk

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
)

// The pages themselves are tested in clients/webtest, with a real browser on a
// real server. Here stand the rules that need neither.

func TestPagesParse(t *testing.T) {
	t.Parallel()
	p, err := parsePages()
	require.NoError(t, err)
	require.Greater(t, len(p.byName), 10)
}

func TestIsOurs(t *testing.T) {
	t.Parallel()
	for next, want := range map[string]bool{
		"/": true, "/numbers?months=24": true, "": false, "numbers": false, "//evil.example": false, `/\evil.example`: false,
		"https://evil.example": false, "/\t/evil.example": false, "/\n/evil.example": false, "javascript:alert(1)": false,
	} {
		require.Equal(t, want, isOurs(next), next)
	}
}

func TestRemote(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ from, said, want string }{
		{"192.0.2.7:5000", "", "192.0.2.7"},
		{"192.0.2.7:5000", "203.0.113.9", "192.0.2.7"}, // anybody can say anything
		{"127.0.0.1:5000", "", "127.0.0.1"},
		{"127.0.0.1:5000", "198.51.100.1, 203.0.113.9", "203.0.113.9"}, // the proxy's own word comes last
		{"[::1]:5000", "203.0.113.9", "203.0.113.9"},
		{"no address", "", "no address"},
	} {
		r := httptest.NewRequest(http.MethodPost, "/report", nil)
		r.RemoteAddr = c.from
		if c.said != "" {
			r.Header.Set("X-Forwarded-For", c.said)
		}
		require.Equal(t, c.want, remote(r), "%v", c)
	}
}

func TestLimiter(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 9, 10, 9, 0, 0, 0, time.UTC)
	l := newLimiter(func() time.Time { return now }, 2, time.Minute)
	require.True(t, l.allow("a"))
	require.True(t, l.allow("a"))
	require.False(t, l.allow("a"))
	require.True(t, l.allow("b"), "one source does not use up another's tries")
	now = now.Add(61 * time.Second)
	require.True(t, l.allow("a"))
}

func TestSessions(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 9, 10, 9, 0, 0, 0, time.UTC)
	s := newSessions(func() time.Time { return now })
	id, err := s.begin("token", &pb.Principal{Name: "principals/x"})
	require.NoError(t, err)
	for range 8 { // used now and then, it lives through a day's work
		now = now.Add(idle - 30*time.Minute)
		_, ok := s.find(id)
		require.True(t, ok, now)
	}
	now = now.Add(idle - time.Minute)
	_, ok := s.find(id)
	require.False(t, ok, "and no longer than %s", longest)

	id, err = s.begin("token", &pb.Principal{})
	require.NoError(t, err)
	now = now.Add(idle + time.Second)
	_, ok = s.find(id)
	require.False(t, ok, "left alone, it ends")
}

func TestFlaws(t *testing.T) {
	t.Parallel()
	list := located([]flaw{bad("report.harms[0].description", "is too long"), bad("report.answers[\"x\"]", "is odd")}, map[string]shown{"description": {"If someone was hurt", "hurt"}})
	require.Equal(t, "hurt", list[0].At)
	require.Empty(t, list[1].At)
	require.Equal(t, "is too long", flawed(list, "description"))
	require.Empty(t, flawed(list, "tion"), "the whole name or nothing")
	_, isBad := flaws(status.Error(codes.NotFound, "no"))
	require.False(t, isBad)
	got, isBad := flaws(status.Error(codes.InvalidArgument, "mend it"))
	require.True(t, isBad, "a refusal without fields is one all the same")
	require.Equal(t, "mend it", got[0].Words)
	require.Empty(t, reason(nil))
}

func TestRetry(t *testing.T) {
	t.Parallel()
	r := retry{Form: "outcome h2", Values: url.Values{"reason": {"typed"}}, Flaws: []flaw{bad("change.reason", "is short")}}
	require.Equal(t, "typed", r.Get("outcome h2", "reason", "stored"))
	require.Equal(t, "stored", r.Get("outcome h1", "reason", "stored"), "another person's form is not touched")
	require.Equal(t, "is short", r.Bad("outcome h2", "reason"))
	require.Empty(t, r.Bad("outcome h1", "reason"))
}

func TestWords(t *testing.T) {
	t.Parallel()
	two := &pb.Report{Harms: []*pb.Harm{{HarmId: "a", Outcome: pb.OutcomeClass_OUTCOME_CLASS_FIRST_AID}, {HarmId: "b"}, {HarmId: "c"}}}
	one := &pb.Report{Harms: two.GetHarms()[:1]}
	require.Equal(t, "person 2", personWords(two, "b"))
	require.Equal(t, "the person hurt", personWords(one, "a"))
	require.Equal(t, []string{"first aid", "outcome not known (2)"}, outcomesWords(two.GetHarms()))
	require.Equal(t, "when, codes", fieldWords(one, []string{"occur_time", "codings.a.nature", "codings.a.agency"}))
	require.Equal(t, "time away of person 1, water reached", fieldWords(two, []string{"harms.a.absences", "release.water_reached"}))
	require.Equal(t, "9 September 2026", dateWords("2026-09-09"))
	require.Equal(t, "soon", dateWords("soon"))
	require.Equal(t, "text", dateInput("date", "last Tuesday"), "a browser would drop what it cannot read")
	require.Equal(t, "date", dateInput("date", "2026-09-09"))
	require.Equal(t, "month", dateInput("month", ""))
}

func TestPlaces_below(t *testing.T) {
	t.Parallel()
	p := &placeList{List: []place{{Name: "w/shire"}, {Name: "w/north", Depth: 1}, {Name: "w/north-trees", Depth: 2}, {Name: "w/quarry", Depth: 1}, {Name: "w/quarry-roads", Depth: 2}}}
	var names []string
	for _, at := range p.below([]string{"w/north", "w/quarry-roads"}) {
		names = append(names, at.Indent+at.Name)
	}
	require.Equal(t, []string{"w/north", indent + "w/north-trees", "w/quarry-roads"}, names)
}
