package search_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"pgregory.net/rapid"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/record"
	"fairlead/services/search"
)

// Words of stories in which somebody may be named, and what is looked for.
var (
	spoken   = strings.Fields("told Wren wren Exampleton exampleton Moss's moss Snowy snowy saw Kerb kerb Lakeside with chipper ramp. Mr and Ng 0491570006 Exampleton2 slipped fell")
	wantedBy = strings.Fields("wren exampleton exampelton moss snowy kerb kreb lakeside chipper ramp name phone ng 0491570006 exampleton2 slipped")
	whoIs    = []string{"Wren Exampleton", "Moss Fableton", "Snowy Kerb", ""}
)

// decided is what somebody decided on for a story.
func decided(r *pb.Report, text string) *pb.MaskedText {
	sum := sha256.Sum256([]byte(r.GetName() + "\n" + r.GetNarrative()))
	return &pb.MaskedText{Name: r.GetName() + "/masked", Narrative: text, NarrativeSha256: hex.EncodeToString(sum[:])}
}

func somebodysStory(t *rapid.T, label string) string {
	return strings.Join(rapid.SliceOfN(rapid.SampledFrom(spoken), 1, 9).Draw(t, label), " ")
}

// TestAskedUnderCovers holds what those hear who read stories with the names
// covered against a world in which the stories were told like that in the first
// place, and nothing is covered: the same reports in the same order, with the same
// scores and passages, page by page; the same totals, counts by kind, place and
// month, and the same notes, which say what a word was read as. People come, are
// called otherwise and go, places too, stories are amended, and somebody decides on
// some, while the index follows, is reopened or made anew.
func TestAskedUnderCovers(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "search")
		require.NoError(t, err)
		defer func() { _ = os.RemoveAll(dir) }()
		w := openWorld(t, dir, search.Options{})
		defer func() { w.close(t) }()
		w.put(t, &pb.Workplace{Name: "workplaces/root", Title: "Root", Level: 1, TimeZone: "Australia/Sydney"})
		reports := map[int]*pb.Report{}
		for range rapid.IntRange(2, 14).Draw(t, "steps") {
			n := rapid.IntRange(1, 6).Draw(t, "number")
			r := reports[n]
			switch step := rapid.SampledFrom([]string{"file", "file", "file", "person", "person", "place", "decide", "catch up", "reopen"}).Draw(t, "step"); {
			case step == "person":
				p := &pb.Person{Name: fmt.Sprintf("people/p%d", rapid.IntRange(1, 2).Draw(t, "who")), DisplayName: rapid.SampledFrom(whoIs).Draw(t, "is")}
				if p.DisplayName != "" {
					p.EmploymentGroup = 1
				}
				w.put(t, p)
			case step == "place":
				w.put(t, &pb.Workplace{Name: "workplaces/place", Parent: "workplaces/root", Level: 2,
					Title: rapid.SampledFrom([]string{"Lakeside", "Snowy ramp", "Kerb yard"}).Draw(t, "title")})
			case step == "decide" && r != nil:
				w.put(t, decided(r, rapid.SampledFrom([]string{somebodysStory(t, "decided"), "[name] slipped on the kerb",
					strings.ReplaceAll(strings.ReplaceAll(r.GetNarrative(), "Snowy", "[name]"), "snowy", "[name]")}).Draw(t, "as")))
			case step == "catch up":
				w.catchUp(t)
			case step == "reopen":
				require.NoError(t, w.index.Close())
				w.openIndex(t, search.Options{})
			default:
				r = story(n, somebodysStory(t, "narrative"))
				r.Workplace, r.ShortCode = "workplaces/root", fmt.Sprintf("7KQ-2MX-%d", n)
				r.Damage, r.Kind = rapid.SampledFrom([]string{"", somebodysStory(t, "damage")}).Draw(t, "with damage"), pb.ReportKind(1+n%3)
				if rapid.Bool().Draw(t, "with harm") {
					r.Harms = []*pb.Harm{{HarmId: "h1", Description: somebodysStory(t, "harm")}}
				}
				if rapid.IntRange(0, 3).Draw(t, "imported") == 0 {
					r.Origin = &pb.Origin{Dataset: "past-records", SourceId: "1", Title: somebodysStory(t, "title")}
				}
				reports[n] = r
				w.put(t, r)
			}
		}
		w.catchUp(t)
		problems, err := w.index.Check(context.Background())
		require.NoError(t, err)
		require.Empty(t, problems, "what is maintained is what is made anew")

		other, err := os.MkdirTemp("", "search")
		require.NoError(t, err)
		defer func() { _ = os.RemoveAll(other) }()
		plain := openWorld(t, other, search.Options{Covers: nothingCovered{}})
		defer func() { plain.close(t) }()
		for _, place := range []string{"workplaces/root", "workplaces/place"} {
			if res, err := w.ledger.Get(context.Background(), place); err == nil {
				plain.put(t, workplaceIn(t, res))
			}
		}
		for _, r := range reports {
			covered, err := w.covers.Cover(context.Background(), r)
			require.NoError(t, err)
			plain.put(t, covered)
		}
		plain.catchUp(t)

		for range 8 {
			req := someSearch(t)
			for _, role := range []pb.Role{pb.Role_ROLE_REPRESENTATIVE, pb.Role_ROLE_AUDITOR} {
				got, want := pages(t, w, as(role), req), pages(t, plain, as(role), req)
				if diff := cmp.Diff(want, got, protocmp.Transform()); diff != "" {
					t.Fatalf("%s by %s (-told like that +covered):\n%s", req.GetWords(), role, diff)
				}
			}
		}
	})
}

// someSearch asks for some words, in all the ways there are.
func someSearch(t *rapid.T) *pb.SearchReportsRequest {
	var parts []string
	for range rapid.IntRange(1, 3).Draw(t, "words") {
		word := rapid.SampledFrom(wantedBy).Draw(t, "word")
		switch rapid.IntRange(0, 5).Draw(t, "how") {
		case 0:
			word = `"` + word + " " + rapid.SampledFrom(wantedBy).Draw(t, "then") + `"`
		case 1:
			if len(parts) > 0 {
				word = "-" + word
			}
		}
		parts = append(parts, word)
	}
	return &pb.SearchReportsRequest{Words: strings.Join(parts, " "), PageSize: 2, IncludeCounts: rapid.Bool().Draw(t, "counts"),
		Order: pb.SearchOrder(rapid.IntRange(0, 2).Draw(t, "order"))}
}

// pages are all the answers to a question, to its last page.
func pages(t *rapid.T, w *world, ctx context.Context, req *pb.SearchReportsRequest) []*pb.SearchReportsResponse {
	var out []*pb.SearchReportsResponse
	req = proto.Clone(req).(*pb.SearchReportsRequest)
	for {
		resp, err := w.search(ctx, req)
		require.NoError(t, err)
		req.PageToken = resp.GetNextPageToken()
		resp.SequenceNumber, resp.NextPageToken = 0, ""
		out = append(out, resp)
		if req.PageToken == "" {
			return out
		}
	}
}

// nothingCovered is a world in which everybody reads all.
type nothingCovered struct{}

func (nothingCovered) Cover(_ context.Context, r *pb.Report) (*pb.Report, error) { return r, nil }
func (nothingCovered) Moved(context.Context, ledger.Change) ([]string, bool, error) {
	return nil, false, nil
}
func (nothingCovered) Wait(context.Context, int64) error { return nil }
func (nothingCovered) Seq() int64                        { return 0 }

func workplaceIn(t tb, res ledger.Resource) *pb.Workplace {
	p := &pb.Workplace{}
	require.NoError(t, record.Read(res.Body, res.Revision, p))
	return p
}

// TestNamesMove: the index follows who is called what, and only what has a name in
// it is made anew.
func TestNamesMove(t *testing.T) {
	t.Parallel()
	w := empty(t)
	w.run(t)
	representative, auditor := as(pb.Role_ROLE_REPRESENTATIVE), as(pb.Role_ROLE_AUDITOR)
	w.put(t, story(1, "The ramp gave way under exampleton."), story(2, "The ramp held."))
	last := w.put(t, &pb.Report{Name: number(3), Workplace: "workplaces/northside", Narrative: "The ramp again.", State: pb.ReportState_REPORT_STATE_RECEIVED,
		Harms: []*pb.Harm{{HarmId: "h1", Description: "exampleton2's wrist"}}})
	ask := func(ctx context.Context, text string) []int {
		req := words(text)
		req.MinSequenceNumber = last
		got := w.find(t, ctx, req)
		slices.Sort(got)
		return got
	}
	require.Equal(t, []int{1}, ask(representative, "exampleton"), "nobody is called that")
	require.Equal(t, []int{3}, ask(auditor, "exampleton2"))
	last = w.put(t, &pb.Person{Name: "people/p1", DisplayName: "Wren Exampleton", EmploymentGroup: 1})
	for _, ctx := range []context.Context{representative, auditor} {
		require.Empty(t, ask(ctx, "exampleton"))
		require.Empty(t, ask(ctx, "exampleton2"))
		require.Empty(t, ask(ctx, "exampelton"), "a slip is not read as a word that is covered")
		require.Equal(t, []int{1, 2, 3}, ask(ctx, "ramp"))
	}
	require.Equal(t, []int{1}, ask(adviser(), "exampleton"))
	require.Equal(t, []int{3}, ask(adviser(), "exampleton2"))
	last = w.put(t, &pb.Person{Name: "people/p1", DisplayName: "Wren Otherwise", EmploymentGroup: 1})
	require.Equal(t, []int{1}, ask(representative, "exampleton"), "nobody is called that any more")
	problems, err := w.index.Check(t.Context())
	require.NoError(t, err)
	require.Empty(t, problems)
}

// TestScoresUnderCovers: how well a report fits says nothing of what is covered in
// it.
func TestScoresUnderCovers(t *testing.T) {
	t.Parallel()
	w := empty(t)
	w.put(t, &pb.Person{Name: "people/p1", DisplayName: "Wren Exampleton", EmploymentGroup: 1})
	w.put(t, story(1, "The ramp. Exampleton."), story(2, "The ramp. Somebody."), story(3, "The ramp. Exampleton Exampleton, Exampleton; Exampleton."))
	w.catchUp(t)
	req := words("ramp")
	resp, err := w.search(as(pb.Role_ROLE_AUDITOR), req)
	require.NoError(t, err)
	score := map[int]float64{}
	for _, h := range resp.GetHits() {
		score[numberOf(t, h.GetReport())] = h.GetScore()
	}
	require.Equal(t, score[2], score[1], "one word stands for another")
	require.Positive(t, score[1])
}
