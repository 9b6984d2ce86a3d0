package search_test

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/search"
)

// A small vocabulary, so that words meet. Each is its own stem, none is small,
// soft, or the same as another, and no two are within a slip of each other:
// what a search must find is then plain to see.
var vocabulary = []string{"kerb", "trestle", "pump", "gravel", "drain", "sling", "hatch", "orchid", "winch", "quartz"}

var healthVocabulary = []string{"femur", "asthma", "plaster"}

var places = []string{"workplaces/root", "workplaces/east", "workplaces/east-crew", "workplaces/west"}

// model is the plain truth that the index is held against.
type model struct {
	reports map[int]*pb.Report
	parents map[string]string
}

func (m *model) within(w, ancestor string) bool {
	for ; w != ""; w = m.parents[w] {
		if w == ancestor {
			return true
		}
	}
	return false
}

func someStory(t *rapid.T, label string) string {
	n := rapid.IntRange(1, 8).Draw(t, label+" length")
	var words []string
	for range n {
		words = append(words, rapid.SampledFrom(vocabulary).Draw(t, label))
	}
	return strings.Join(words, " ")
}

func someReport(t *rapid.T, n int) *pb.Report {
	r := story(n, someStory(t, "narrative"))
	r.Workplace = rapid.SampledFrom(places).Draw(t, "workplace")
	r.Potential = pb.PotentialSeverity(rapid.IntRange(0, 3).Draw(t, "potential"))
	if rapid.IntRange(0, 3).Draw(t, "imported") == 0 {
		r.Origin = &pb.Origin{Dataset: "past-records", SourceId: fmt.Sprint(n)}
	}
	r.Kind = pb.ReportKind(rapid.IntRange(1, 6).Draw(t, "kind"))
	r.Damage = rapid.SampledFrom([]string{"", someStory(t, "damage")}).Draw(t, "with damage")
	if rapid.Bool().Draw(t, "with a time") {
		r.OccurTime = timestamppb.New(time.Unix(rapid.Int64Range(1.70e9, 1.76e9).Draw(t, "time"), 0))
	} else {
		r.OccurTime = nil
	}
	if rapid.Bool().Draw(t, "with harm") {
		for i := range rapid.IntRange(1, 2).Draw(t, "harms") {
			r.Harms = append(r.Harms, &pb.Harm{HarmId: fmt.Sprintf("h%d", i+1),
				Description:     rapid.SampledFrom(healthVocabulary).Draw(t, "health"),
				Outcome:         pb.OutcomeClass(rapid.IntRange(0, 3).Draw(t, "outcome")),
				EmploymentGroup: pb.EmploymentGroup(rapid.IntRange(0, 2).Draw(t, "group"))})
		}
	}
	if rapid.IntRange(0, 5).Draw(t, "void") == 0 {
		r.State = pb.ReportState_REPORT_STATE_VOIDED
	}
	return r
}

// TestRebuiltIsMaintained drives an index through filing, amending, voiding,
// moving workplaces, catching up and reopening, and holds it against the model
// and against an index that is made anew from the same log.
func TestRebuiltIsMaintained(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "search")
		require.NoError(t, err)
		defer func() { _ = os.RemoveAll(dir) }()
		w := openWorld(t, dir, search.Options{})
		defer func() { w.close(t) }()
		m := &model{reports: map[int]*pb.Report{}, parents: map[string]string{
			"workplaces/east": "workplaces/root", "workplaces/east-crew": "workplaces/east", "workplaces/west": "workplaces/root"}}
		for i, p := range places {
			w.put(t, workplaceOf(m, p, []string{"Australia/Sydney", "", "Australia/Perth", "America/Denver"}[i]))
		}
		w.catchUp(t)
		for range rapid.IntRange(1, 12).Draw(t, "steps") {
			switch rapid.SampledFrom([]string{"file", "file", "file", "several", "move", "catch up", "reopen"}).Draw(t, "step") {
			case "file":
				r := someReport(t, rapid.IntRange(1, 12).Draw(t, "number"))
				m.reports[numberOf(t, r.GetName())] = r
				w.put(t, r)
			case "several":
				var all []proto.Message
				for range rapid.IntRange(2, 6).Draw(t, "how many") {
					r := someReport(t, rapid.IntRange(1, 12).Draw(t, "number"))
					m.reports[numberOf(t, r.GetName())] = r
					all = append(all, r)
				}
				w.put(t, all...)
			case "move":
				m.parents["workplaces/east-crew"] = rapid.SampledFrom([]string{"workplaces/east", "workplaces/west"}).Draw(t, "parent")
				zone := rapid.SampledFrom([]string{"", "Australia/Perth"}).Draw(t, "zone")
				w.put(t, workplaceOf(m, "workplaces/east-crew", zone))
			case "catch up":
				w.catchUp(t)
			case "reopen":
				require.NoError(t, w.index.Close())
				w.openIndex(t, search.Options{})
			}
		}
		w.catchUp(t)
		problems, err := w.index.Check(context.Background())
		require.NoError(t, err)
		require.Empty(t, problems)

		questions := someQuestions(t)
		maintained := askAll(t, w, questions)
		for i, q := range questions {
			checkAgainst(t, m, q, maintained[i])
		}
		require.NoError(t, w.index.Close())
		w.openIndex(t, search.Options{Fresh: true})
		w.catchUp(t)
		rebuilt := askAll(t, w, questions)
		if diff := cmp.Diff(maintained, rebuilt, protocmp.Transform()); diff != "" {
			t.Fatalf("rebuilt answers differ from maintained ones (-maintained +rebuilt):\n%s", diff)
		}
	})
}

func workplaceOf(m *model, name, zone string) *pb.Workplace {
	return &pb.Workplace{Name: name, Parent: m.parents[name], Title: name, Level: 2, TimeZone: zone}
}

// oneQuestion is a search for some words by someone.
type oneQuestion struct {
	words    []string
	phrase   bool
	unwanted string
	role     pb.Role
	scope    []string
	req      *pb.SearchReportsRequest
}

func someQuestions(t *rapid.T) []oneQuestion {
	var out []oneQuestion
	for range 8 {
		q := oneQuestion{role: rapid.SampledFrom([]pb.Role{
			pb.Role_ROLE_ADVISER, pb.Role_ROLE_SUPERVISOR, pb.Role_ROLE_REPRESENTATIVE}).Draw(t, "role")}
		all := slices.Concat(vocabulary, healthVocabulary)
		for range rapid.IntRange(1, 3).Draw(t, "words") {
			q.words = append(q.words, rapid.SampledFrom(all).Draw(t, "word"))
		}
		q.phrase = rapid.IntRange(0, 3).Draw(t, "phrase") == 0
		if rapid.IntRange(0, 3).Draw(t, "unwanted") == 0 {
			q.unwanted = rapid.SampledFrom(all).Draw(t, "unwanted word")
		}
		if rapid.Bool().Draw(t, "scoped") {
			q.scope = []string{rapid.SampledFrom(places).Draw(t, "scope")}
		}
		text := strings.Join(q.words, " ")
		if q.phrase {
			text = `"` + text + `"`
		}
		if q.unwanted != "" {
			text += " -" + q.unwanted
		}
		q.req = &pb.SearchReportsRequest{Words: text, PageSize: 3,
			Order:  pb.SearchOrder(rapid.IntRange(0, 2).Draw(t, "order")),
			Filter: &pb.ReportFilter{IncludeVoided: rapid.Bool().Draw(t, "with voided")}}
		out = append(out, q)
	}
	return out
}

// askAll asks every question to its last page.
func askAll(t *rapid.T, w *world, questions []oneQuestion) [][]*pb.SearchHit {
	var out [][]*pb.SearchHit
	for _, q := range questions {
		var hits []*pb.SearchHit
		req := proto.Clone(q.req).(*pb.SearchReportsRequest)
		for {
			resp, err := w.search(as(q.role, q.scope...), req)
			require.NoError(t, err)
			hits = append(hits, resp.GetHits()...)
			if req.PageToken = resp.GetNextPageToken(); req.PageToken == "" {
				require.EqualValues(t, len(hits), resp.GetTotalSize(), "%v", q)
				break
			}
			require.Len(t, resp.GetHits(), 3)
		}
		out = append(out, hits)
	}
	return out
}

func checkAgainst(t *rapid.T, m *model, q oneQuestion, hits []*pb.SearchHit) {
	var got, want []string
	for _, h := range hits {
		got = append(got, h.GetReport())
	}
	for _, r := range m.reports {
		if m.matches(q, r) {
			want = append(want, r.GetName())
		}
	}
	slices.Sort(want)
	sorted := slices.Sorted(slices.Values(got))
	require.Equal(t, want, sorted, "%s as %v %v", q.req, q.role, q.scope)
	if q.req.GetOrder() == pb.SearchOrder_SEARCH_ORDER_NEWEST_FIRST {
		require.True(t, slices.IsSortedFunc(got, func(a, b string) int {
			x, y := m.when(t, a), m.when(t, b)
			if c := y.Compare(x); c != 0 {
				return c
			}
			return strings.Compare(b, a)
		}), "newest first: %v", got)
	}
}

func (m *model) when(t *rapid.T, name string) time.Time {
	r := m.reports[numberOf(t, name)]
	if r.GetOccurTime() != nil {
		return r.GetOccurTime().AsTime()
	}
	return r.GetReceiveTime().AsTime()
}

// matches is a search as one would write it for a page of reports.
func (m *model) matches(q oneQuestion, r *pb.Report) bool {
	if r.GetState() == pb.ReportState_REPORT_STATE_VOIDED && !q.req.GetFilter().GetIncludeVoided() {
		return false
	}
	if len(q.scope) > 0 && !m.within(r.GetWorkplace(), q.scope[0]) {
		return false
	}
	parts := []string{r.GetNarrative(), r.GetDamage()}
	if q.role != pb.Role_ROLE_REPRESENTATIVE {
		for _, h := range r.GetHarms() {
			parts = append(parts, h.GetDescription())
		}
	}
	has := func(text string) bool {
		return slices.ContainsFunc(parts, func(part string) bool {
			return strings.Contains(" "+part+" ", " "+text+" ")
		})
	}
	if q.unwanted != "" && has(q.unwanted) {
		return false
	}
	if q.phrase {
		return has(strings.Join(q.words, " "))
	}
	return !slices.ContainsFunc(q.words, func(w string) bool { return !has(w) })
}

func some[E ~int32](t *rapid.T, label string, most int) []E {
	var out []E
	for range rapid.IntRange(0, 2).Draw(t, label+" count") {
		out = append(out, E(rapid.IntRange(1, most).Draw(t, label)))
	}
	return out
}

// TestFiltersAgreeWithTheFacts holds the index and the facts to one reading of
// a filter: what they answer is put together on one page.
func TestFiltersAgreeWithTheFacts(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "search")
		require.NoError(t, err)
		defer func() { _ = os.RemoveAll(dir) }()
		w := openWorld(t, dir, search.Options{})
		defer func() { w.close(t) }()
		m := &model{parents: map[string]string{
			"workplaces/east": "workplaces/root", "workplaces/east-crew": "workplaces/east", "workplaces/west": "workplaces/root"}}
		for i, p := range places {
			w.put(t, workplaceOf(m, p, []string{"Australia/Sydney", "", "Australia/Perth", "America/Denver"}[i]))
		}
		for n := range rapid.IntRange(1, 25).Draw(t, "reports") {
			r := someReport(t, n)
			r.Narrative = "kerb"
			if rapid.IntRange(0, 5).Draw(t, "anonymous") == 0 {
				r.TellerMode = pb.TellerMode_TELLER_MODE_ANONYMOUS
				r.ReceiveTime = timestamppb.New(time.Date(2025, 1, rapid.IntRange(1, 40).Draw(t, "day"), 0, 0, 0, 0, time.UTC))
			}
			w.put(t, r)
		}
		w.catchUp(t)
		for range 10 {
			f := &pb.ReportFilter{
				Kinds:            some[pb.ReportKind](t, "kinds", 6),
				Outcomes:         some[pb.OutcomeClass](t, "outcomes", 4),
				Potentials:       some[pb.PotentialSeverity](t, "potentials", 4),
				EmploymentGroups: some[pb.EmploymentGroup](t, "groups", 3),
				IncludeVoided:    rapid.Bool().Draw(t, "with voided"),
			}
			if rapid.Bool().Draw(t, "at a workplace") {
				f.Workplaces = []string{rapid.SampledFrom(places).Draw(t, "workplace")}
			}
			if rapid.Bool().Draw(t, "of a data set") {
				f.Datasets = []string{rapid.SampledFrom([]string{"here", "past-records", "none"}).Draw(t, "data set")}
			}
			day := rapid.Map(rapid.IntRange(19_600, 20_500), func(n int) string {
				return time.Unix(int64(n)*86_400, 0).UTC().Format(time.DateOnly)
			})
			if rapid.Bool().Draw(t, "from") {
				f.StartDate = day.Draw(t, "start")
			}
			if end := day.Draw(t, "end"); rapid.Bool().Draw(t, "to") && end > f.StartDate {
				f.EndDate = end
			}
			names, _, total, err := w.facts.Newest(f, f.GetWorkplaces(), "", 100)
			require.NoError(t, err)
			resp, err := w.search(adviser(), &pb.SearchReportsRequest{Words: "kerb", Filter: f, PageSize: 100,
				Order: pb.SearchOrder_SEARCH_ORDER_NEWEST_FIRST, IncludeCounts: true})
			require.NoError(t, err)
			var found []string
			for _, h := range resp.GetHits() {
				found = append(found, h.GetReport())
			}
			require.Equal(t, names, found, "same reports in the same order: %v", f)
			require.Equal(t, total, resp.GetTotalSize())
			for _, heads := range [][]*pb.TableHead{resp.GetKinds(), resp.GetWorkplaces(), resp.GetMonths()} {
				var counted int64
				for _, h := range heads {
					counted += h.GetTotal()
				}
				require.Equal(t, total, counted, "the counts are of what was found: %v", f)
			}
		}
	})
}

// The vocabulary of the property is as plain as it claims to be.
func TestVocabularyIsPlain(t *testing.T) {
	t.Parallel()
	w := empty(t)
	all := slices.Concat(vocabulary, healthVocabulary)
	for i, word := range all {
		w.put(t, story(i, word))
	}
	w.catchUp(t)
	for i, word := range all {
		resp, err := w.search(adviser(), words(word))
		require.NoError(t, err)
		require.Empty(t, resp.GetNotes(), word)
		require.Len(t, resp.GetHits(), 1, word)
		require.Equal(t, number(i), resp.GetHits()[0].GetReport())
		require.Equal(t, fmt.Sprintf("[%s]", word), plainSnippet(resp.GetHits()[0].GetSnippet()))
	}
}
