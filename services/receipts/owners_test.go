package receipts

import (
	"context"
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// log is a log in memory.
type log []ledger.Change

func (l *log) add(actor, verb, name, kind string, revision int64, body []byte) ledger.Change {
	c := ledger.Change{Seq: int64(len(*l) + 1), Actor: actor, Verb: verb, Name: name, Kind: kind, Revision: revision, Body: body}
	*l = append(*l, c)
	return c
}

// History implements Histories.
func (l *log) History(_ context.Context, name string) (out []ledger.Change, err error) {
	for _, c := range *l {
		if c.Name == name {
			out = append(out, c)
		}
	}
	return out, nil
}

func body(t testing.TB, teller *pb.Teller) []byte {
	t.Helper()
	b, err := record.Body(teller)
	require.NoError(t, err)
	return b
}

// tells writes a report and who told it.
func (l *log) tells(t testing.TB, actor, report, name, person string) {
	t.Helper()
	l.add(actor, record.VerbFile, report, record.KindReport, 1, nil)
	l.add(actor, record.VerbFile, report+"/teller", record.KindTeller, 1, body(t, &pb.Teller{Person: person, DisplayName: name}))
}

func who(principal, person string) caller {
	return caller{access.Principal{Name: principal, DisplayName: "Moss Fableton"}, person}
}

func leads(o *Owners, principal, person string) (out []int64) {
	list, _ := o.before(who(principal, person), math.MaxInt64, 100)
	for _, l := range list {
		out = append(out, l.seq)
	}
	return out
}

// TestOwners: newest first, by filing and by person; nobody's is not there, and
// what was erased is dropped whenever its erasure comes.
func TestOwners(t *testing.T) {
	t.Parallel()
	l := &log{}
	l.tells(t, "principals/a", "reports/1", "Moss", "")                             // 1, 2
	l.tells(t, access.Confidential, "reports/2", "Moss", "people/p")                // 3, 4
	l.tells(t, access.Anonymous, "reports/3", "x", "")                              // 5, 6
	l.tells(t, "principals/form", "reports/4", "Moss", "people/p")                  // 7, 8
	l.tells(t, "devices/d", "reports/5", "Moss", "people/q")                        // 9, 10
	l.add("principals/a", record.VerbAmend, "reports/1", record.KindReport, 2, nil) // 11
	l.add("principals/a", record.VerbFile, "reports/6", record.KindReport, 1, nil)  // 12, without a name
	l.tells(t, "principals/a", "reports/7", "Iris Storybook", "")                   // 13, 14
	l.tells(t, "principals/a", "reports/8", "Moss Fableton", "people/p")            // 15, 16
	o := NewOwners(l, "principals/form")
	// In two pieces, cut between a report and its teller.
	o.Take(t.Context(), (*l)[:1])
	o.Take(t.Context(), (*l)[1:])
	require.Equal(t, []int64{16, 12, 8, 1}, leads(o, "principals/a", "people/p"))
	require.Equal(t, []int64{12, 1}, leads(o, "principals/a", ""))
	require.Equal(t, []int64{10}, leads(o, "principals/b", "people/q"))
	for _, nobody := range []string{access.Confidential, access.Anonymous, "principals/form", "devices/d"} {
		require.Empty(t, leads(o, nobody, ""), nobody)
	}
	page, more := o.before(who("principals/a", "people/p"), 12, 1)
	require.Equal(t, []lead{{8, byPerson}}, page)
	require.True(t, more)

	// While it follows.
	o.Take(t.Context(), []ledger.Change{l.add("principals/x", record.VerbErase, "reports/1/teller", record.KindTeller, 2, nil)})
	o.Take(t.Context(), []ledger.Change{l.add("principals/x", record.VerbErase, "reports/8/teller", record.KindTeller, 2, nil)})
	require.Equal(t, []int64{12, 8}, leads(o, "principals/a", "people/p"))
	require.NotContains(t, o.filed["principals/a"], "Moss", "the name is not kept either")
	o.Take(t.Context(), []ledger.Change{l.add("principals/x", record.VerbErase, "people/p", record.KindPerson, 2, nil)})
	require.Equal(t, []int64{12}, leads(o, "principals/a", "people/p"))

	// From the beginning, when the erased have no body left.
	for i, c := range *l {
		if c.Name == "reports/1/teller" || c.Name == "reports/8/teller" {
			(*l)[i].Body, (*l)[i].Erased = nil, true
		}
	}
	again := NewOwners(l, "principals/form")
	again.Take(t.Context(), (*l)[:18])
	require.Equal(t, []int64{12, 8}, leads(again, "principals/a", "people/p"))
	require.Empty(t, again.blank, "nothing is kept of what was erased")
}

// TestSameName: a name that may be the account's, as people write it.
func TestSameName(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		given, account string
		want           bool
	}{
		{"", "Moss Fableton", true}, {"Moss", "Moss Fableton", true}, {"moss fableton", "Moss Fableton", true}, {"Fableton, Moss", "Moss Fableton", true},
		{"M. Fableton", "Moss Fableton", true}, {"Moss Tarn Fableton", "Moss Fableton", true}, {"Ólafur", "ólafur Storybook", true},
		{"Iris", "Moss Fableton", false}, {"Iris Fableton", "Moss Fableton", false}, {"Moss Moss", "Moss Fableton", false},
		{"Mo", "Moss Fableton", false}, {"Moss", "", false}, {"...", "Moss", true},
	} {
		require.Equal(t, c.want, sameName(c.given, c.account), "%q %q", c.given, c.account)
	}
}

// BenchmarkOwners takes a log of reports told openly, each by one of 2,000, and
// then looks for a page of one of them.
func BenchmarkOwners(b *testing.B) {
	l := &log{}
	for i := range 100_000 {
		l.tells(b, fmt.Sprint("principals/p-", i%2000), fmt.Sprint("reports/", i), "Moss Fableton", map[bool]string{true: fmt.Sprint("people/p-", i%2000)}[i%2 == 0])
	}
	b.Run("take", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			NewOwners(l, "").Take(b.Context(), *l)
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/100_000, "ns/report")
	})
	b.Run("page", func(b *testing.B) {
		o := NewOwners(l, "")
		o.Take(b.Context(), *l)
		for b.Loop() {
			o.before(who("principals/p-7", "people/p-8"), math.MaxInt64, mineLooked)
		}
	})
}
