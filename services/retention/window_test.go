package retention_test

import (
	"context"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// TestEraseDueTellers_day: a name goes on the day that was promised, by the days
// of the house, and not a minute before; a name without a day never goes.
func TestEraseDueTellers_day(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		day, now string // now in UTC; the house is ten hours ahead in June
		want     int
	}{
		"weeks before":              {"2026-06-02", "2026-05-10T12:00:00Z", 0},
		"the minute before the day": {"2026-06-02", "2026-06-01T13:59:59Z", 0},
		"when the day begins":       {"2026-06-02", "2026-06-01T14:00:00Z", 1},
		"the house slept for years": {"2026-06-02", "2031-01-01T00:00:00Z", 1},
		"no day was promised":       {"", "2031-01-01T00:00:00Z", 0},
	} {
		for _, closed := range []bool{true, false} {
			t.Run(fmt.Sprint(name, ", closed ", closed), func(t *testing.T) {
				t.Parallel()
				h := newHouse(t)
				if closed {
					h.keeper("ada")
				}
				report := h.told(&pb.Teller{DisplayName: name, EraseDate: c.day})
				before := h.stored(report)
				var err error
				h.now, err = time.Parse(time.RFC3339, c.now)
				require.NoError(t, err)
				head, err := h.l.Head(t.Context())
				require.NoError(t, err)
				require.Equal(t, c.want, h.due())
				require.Equal(t, c.want == 1, h.stored(report).GetDisplayName() == "erased")
				if c.want == 0 {
					require.Equal(t, before.String(), h.stored(report).String())
					after, err := h.l.Head(t.Context())
					require.NoError(t, err)
					require.Equal(t, head.Seq, after.Seq, "nothing is written when nothing is due")
				}
				require.Zero(t, h.due(), "once")
				h.whole()
			})
		}
	}
}

// TestEraseDueTellers_nobodyOpens: once the window is over no keeper opens the
// name, old or new, by any deed that takes a passphrase, and what was closed is in
// no version and no file. Why it was opened, and what was written to and fro, goes
// too; the report stays, and so does who else told.
func TestEraseDueTellers_nobodyOpens(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.keeper("ada")
	h.keeper("ben")
	report := h.told(&pb.Teller{DisplayName: name, Contact: contact, Person: person, EraseDate: "2026-06-02"})
	later := h.told(&pb.Teller{DisplayName: name, EraseDate: "2026-06-03"})
	h.put(&pb.ReportMessage{Text: secret}, report+"/messages/1", record.KindMessage)
	h.put(&pb.ReportMessage{Text: older}, report+"/teller/reads/1", record.KindTellerRead)
	who, err := h.opens("ada", report)
	require.NoError(t, err)
	require.Equal(t, name+contact, who.GetDisplayName()+who.GetContact())
	closed := h.stored(report).GetClosed()

	h.now = time.Date(2026, 6, 2, 5, 0, 0, 0, time.UTC)
	require.Equal(t, 1, h.due())
	h.keeper("cleo") // who came after
	for _, id := range []string{"ada", "ben", "cleo"} {
		_, err := h.opens(id, report)
		refused(t, err, codes.PermissionDenied, "none of them")
		shared, err := h.ShareClosedNames(h.as(id, pb.Role_ROLE_ADVISER), &pb.ShareClosedNamesRequest{Passphrase: phrase})
		require.NoError(t, err)
		require.Equal(t, map[string]int32{"ada": 1}[id], shared.GetShared(), "the other name only")
	}
	again, err := h.EraseClosedNames(h.as("ada", pb.Role_ROLE_ADVISER), &pb.EraseClosedNamesRequest{Person: person, Reason: "asked", Passphrase: phrase})
	require.NoError(t, err)
	require.Zero(t, again.GetErased())
	open, err := h.CloseOpenNames(t.Context())
	require.NoError(t, err)
	require.Zero(t, open, "what is left is no name to be closed")

	left := h.stored(report)
	require.Empty(t, left.GetContact()+left.GetPerson()+left.GetEraseDate())
	require.Empty(t, left.GetClosed())
	require.Empty(t, left.GetKeepers())
	h.nowhere(closed, closed[len(closed)-48:], []byte(contact), []byte(secret), []byte(older))
	history, err := h.l.History(t.Context(), report+"/teller")
	require.NoError(t, err)
	require.Len(t, history, 2)
	require.True(t, history[0].Erased)
	require.Equal(t, "principals/the-house "+record.VerbErase, history[1].Actor+" "+history[1].Verb)
	res, err := h.l.Get(t.Context(), report)
	require.NoError(t, err)
	require.False(t, res.Erased, "what was told stays")
	who, err = h.opens("cleo", later)
	require.NoError(t, err, "shared with cleo, and not due before tomorrow")
	require.Equal(t, name, who.GetDisplayName())
	h.whole()
}

// TestEraseDueTellers_held: a hold on a report keeps its name past the day, by
// name or by filter, and lets it go once it is released. A hold on a person keeps
// a name that lies open; it cannot see into one that is closed.
func TestEraseDueTellers_held(t *testing.T) {
	t.Parallel()
	const other = "reports/0190d3a0-7c1e-7b3a-9f6e-2b1c4d5e6f70"
	for what, c := range map[string]struct {
		of           func(report string) *pb.LegalHold
		open, closed bool // whether it keeps the name
	}{
		"the report":       {func(r string) *pb.LegalHold { return &pb.LegalHold{Reports: []string{r}} }, true, true},
		"everything":       {func(string) *pb.LegalHold { return &pb.LegalHold{Filter: &pb.ReportFilter{}} }, true, true},
		"its depot":        {func(string) *pb.LegalHold { return &pb.LegalHold{Filter: at("workplaces/northside")} }, true, true},
		"another report":   {func(string) *pb.LegalHold { return &pb.LegalHold{Reports: []string{other}} }, false, false},
		"the person":       {func(string) *pb.LegalHold { return &pb.LegalHold{People: []string{person}} }, true, false},
		"somebody else":    {func(string) *pb.LegalHold { return &pb.LegalHold{People: []string{"people/p-2"}} }, false, false},
		"a kind it is not": {func(string) *pb.LegalHold { return &pb.LegalHold{Filter: nearMisses} }, false, false},
	} {
		for closed, keeps := range map[bool]bool{false: c.open, true: c.closed} {
			t.Run(fmt.Sprint(what, ", closed ", closed), func(t *testing.T) {
				t.Parallel()
				h := newHouse(t)
				h.put(&pb.Report{Name: other, Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside"}, other, record.KindReport)
				for _, id := range []string{person, "people/p-2"} {
					h.put(&pb.Person{Name: id, EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE}, id, record.KindPerson)
				}
				require.NoError(t, h.tree.CatchUp(t.Context()))
				if closed {
					h.keeper("ada")
				}
				report := h.told(&pb.Teller{DisplayName: name, Person: person, EraseDate: "2026-06-02"})
				hold := c.of(report)
				hold.Name = "legalHolds/claim-7"
				hold = h.hold(hold)
				h.now = time.Date(2026, 6, 20, 5, 0, 0, 0, time.UTC)
				require.Equal(t, map[bool]int{false: 1, true: 0}[keeps], h.due())
				if !keeps {
					require.Equal(t, "erased", h.stored(report).GetDisplayName())
					return
				}
				if closed {
					who, err := h.opens("ada", report)
					require.NoError(t, err, "a held name opens to its keeper, past the day")
					require.Equal(t, name, who.GetDisplayName())
				} else {
					require.Equal(t, name, h.stored(report).GetDisplayName())
				}
				_, err := h.keep.ReleaseLegalHold(h.as("ada", pb.Role_ROLE_ADVISER), &pb.ReleaseLegalHoldRequest{Name: hold.GetName(), Etag: hold.GetEtag(), Reason: "settled"})
				require.NoError(t, err)
				require.Equal(t, 1, h.due(), "released, it goes")
				require.Equal(t, "erased", h.stored(report).GetDisplayName())
				h.whole()
			})
		}
	}
}

var nearMisses = &pb.ReportFilter{Kinds: []pb.ReportKind{pb.ReportKind_REPORT_KIND_NEAR_MISS}}

func at(workplace string) *pb.ReportFilter { return &pb.ReportFilter{Workplaces: []string{workplace}} }

// TestEraseDueTellers_crash loses the ledger after each number of steps: what went
// is gone whole, and the next start destroys the rest without being asked.
func TestEraseDueTellers_crash(t *testing.T) {
	t.Parallel()
	const many, atOnce = 45, 20 // three steps
	for steps := range 3 {
		t.Run(fmt.Sprint(steps, " steps"), func(t *testing.T) {
			t.Parallel()
			h := newHouse(t)
			h.keeper("ada")
			var all []string
			var closed [][]byte
			for n := range many {
				report := h.told(&pb.Teller{DisplayName: fmt.Sprint(name, n), EraseDate: "2026-06-02"})
				h.put(&pb.ReportMessage{Text: secret}, report+"/messages/1", record.KindMessage)
				all, closed = append(all, report), append(closed, h.stored(report).GetClosed())
			}
			h.now = time.Date(2026, 6, 2, 5, 0, 0, 0, time.UTC)
			require.NoError(t, h.tree.CatchUp(t.Context()))
			require.NoError(t, h.figures.CatchUp(t.Context()))
			done, err := h.over(&cut{Store: h.l, left: steps}).EraseDueTellers(t.Context())
			require.ErrorIs(t, err, errCrash)
			require.Equal(t, atOnce*steps, done)

			h.open()
			gone := 0
			for _, report := range all {
				message, err := h.l.Get(t.Context(), report+"/messages/1")
				require.NoError(t, err)
				is := h.stored(report).GetDisplayName() == "erased"
				require.Equal(t, is, len(message.Body) == 0, "a name and what goes with it go together")
				if is {
					gone++
				}
			}
			require.Equal(t, done, gone)

			// As the server does at its start.
			require.NoError(t, h.tree.CatchUp(t.Context()))
			require.NoError(t, h.figures.CatchUp(t.Context()))
			ctx, stop := context.WithCancel(t.Context())
			over := make(chan struct{})
			go func() { defer close(over); h.keep.EraseDaily(ctx, slog.New(slog.DiscardHandler)) }()
			require.Eventually(t, func() bool {
				history, err := h.l.Changes(t.Context(), 0, 10000)
				return err == nil && erasedTellers(history) == many
			}, 30*time.Second, 10*time.Millisecond)
			stop()
			<-over
			for _, report := range all {
				_, err := h.opens("ada", report)
				refused(t, err, codes.PermissionDenied, "none of them")
				history, err := h.l.History(t.Context(), report+"/teller")
				require.NoError(t, err)
				require.Len(t, history, 2, "destroyed once")
			}
			h.nowhere(closed...)
			h.nowhere([]byte(secret))
			h.whole()
		})
	}
}

func erasedTellers(list []ledger.Change) (n int) {
	for _, c := range list {
		if c.Kind == record.KindTeller && c.Verb == record.VerbErase && c.Actor != access.Confidential {
			n++
		}
	}
	return n
}
