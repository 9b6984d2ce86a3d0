package ledgertest

import (
	"context"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
)

func roundTrip(t *testing.T, factory Factory) {
	backend, clock := factory(t), new(Clock)
	l := backend.Open(t, clock.Now)
	require.Equal(t, ledger.Head{}, head(t, l), "an empty ledger has the zero head")
	sound(t, l)

	bodies := map[string][]byte{
		"empty":  nil,
		"text":   []byte("slipped on wet steps at the nursery"),
		"zeroes": make([]byte, 3000),
		"bytes":  {0, 1, 0xff, '\'', '"', 0, '%'},
		"large":  []byte(strings.Repeat("a long statement. ", 50_000)),
	}
	for id, body := range bodies {
		receipt, err := l.Write(t.Context(), as("people/ann"), func(ctx context.Context, tx ledger.Tx) error {
			c, err := tx.Put(ctx, ledger.Put{Name: "reports/" + id, Kind: "Report", Verb: "file", Body: body})
			if err != nil {
				return err
			}
			require.Equal(t, int64(1), c.Revision)
			require.Equal(t, ledger.HashChange(c), c.Hash)
			require.True(t, c.Time.Equal(Start))
			tx.SetAnswer([]byte("answer " + id))
			return nil
		})
		require.NoError(t, err)
		require.Equal(t, receipt.Seq, receipt.FirstSeq)
		require.Equal(t, "answer "+id, string(receipt.Answer))
		require.False(t, receipt.Replayed)
	}
	check := func(l ledger.Ledger) {
		for id, body := range bodies {
			r, err := l.Get(t.Context(), "reports/"+id)
			require.NoError(t, err)
			require.Equal(t, "Report", r.Kind)
			require.Equal(t, int64(1), r.Revision)
			require.Equal(t, string(body), string(r.Body), "body of %s", id)
		}
		_, err := l.Get(t.Context(), "reports/absent")
		require.ErrorIs(t, err, ledger.ErrNotFound)
		sound(t, l)
	}
	check(l)
	before := head(t, l)
	require.NoError(t, l.Close())

	l = backend.Open(t, clock.Now)
	require.Equal(t, before, head(t, l), "reopening must change nothing")
	check(l)
	require.NoError(t, l.Close())
}

func revisions(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	mustWrite(t, l, as("ann"), report("a", "one", ledger.Absent))
	mustWrite(t, l, as("ann"), report("a", "two", 1))
	mustWrite(t, l, as("ann"), report("a", "three", ledger.Any))
	mustWrite(t, l, as("ann"), report("b", "new", ledger.Any))

	cases := []struct {
		name string
		put  ledger.Put
		want error
	}{
		{"new, but there", report("a", "x", ledger.Absent), &ledger.ExistsError{Name: "reports/a", Revision: 3}},
		{"behind", report("a", "x", 2), &ledger.StaleError{Name: "reports/a", Want: 2, Current: 3}},
		{"ahead", report("a", "x", 4), &ledger.StaleError{Name: "reports/a", Want: 4, Current: 3}},
		{"revision of nothing", report("c", "x", 1), ledger.ErrNotFound},
		{"another kind", ledger.Put{Name: "reports/a", Kind: "Hours", Verb: "set", IfRevision: 3}, ledger.ErrInvalid},
	}
	before := head(t, l)
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, err := l.Write(t.Context(), as("ann"), puts(c.put))
			switch want := c.want.(type) {
			case *ledger.ExistsError:
				var got *ledger.ExistsError
				require.ErrorAs(t, err, &got)
				require.ErrorIs(t, err, ledger.ErrExists)
				require.Equal(t, want, got)
				require.ErrorContains(t, err, "reports/a")
			case *ledger.StaleError:
				var got *ledger.StaleError
				require.ErrorAs(t, err, &got)
				require.ErrorIs(t, err, ledger.ErrStale)
				require.Equal(t, want, got)
			default:
				require.ErrorIs(t, err, c.want)
			}
		})
	}
	require.Equal(t, before, head(t, l), "refused puts must write nothing")
	r, err := l.Get(t.Context(), "reports/a")
	require.NoError(t, err)
	require.Equal(t, ledger.Resource{Name: "reports/a", Kind: "Report", Body: []byte("three"), Revision: 3, Seq: 3}, r)
	sound(t, l)
}

func limits(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	good := ledger.Put{Name: "reports/a", Kind: "Report", Verb: "file"}
	with := func(f func(*ledger.Put)) ledger.Put { p := good; f(&p); return p }
	for name, p := range map[string]ledger.Put{
		"no name":           with(func(p *ledger.Put) { p.Name = "" }),
		"space in name":     with(func(p *ledger.Put) { p.Name = "reports/a b" }),
		"NUL in name":       with(func(p *ledger.Put) { p.Name = "reports/a\x00" }),
		"accent in name":    with(func(p *ledger.Put) { p.Name = "reports/é" }),
		"long name":         with(func(p *ledger.Put) { p.Name = strings.Repeat("n", ledger.MaxName+1) }),
		"no kind":           with(func(p *ledger.Put) { p.Kind = "" }),
		"no verb":           with(func(p *ledger.Put) { p.Verb = "" }),
		"line break":        with(func(p *ledger.Put) { p.Verb = "file\n" }),
		"large body":        with(func(p *ledger.Put) { p.Body = make([]byte, ledger.MaxBody+1) }),
		"negative revision": with(func(p *ledger.Put) { p.IfRevision = -2 }),
	} {
		_, err := l.Write(t.Context(), as("ann"), puts(p))
		require.ErrorIs(t, err, ledger.ErrInvalid, name)
	}
	for name, r := range map[string]ledger.Request{
		"no actor":    {},
		"blank actor": {Actor: " "},
		"long id":     {Actor: "ann", ID: strings.Repeat("i", ledger.MaxWord+1)},
		"odd id":      {Actor: "ann", ID: "a\x00b"},
	} {
		_, err := l.Write(t.Context(), r, puts(good))
		require.ErrorIs(t, err, ledger.ErrInvalid, name)
	}
	require.Zero(t, head(t, l).Seq)

	longest := with(func(p *ledger.Put) { p.Name = strings.Repeat("n", ledger.MaxName) })
	mustWrite(t, l, as("ann"), longest)
	_, err := l.Get(t.Context(), longest.Name)
	require.NoError(t, err)
	_, err = l.Get(t.Context(), "reports/a told in full sentences")
	require.ErrorIs(t, err, ledger.ErrNotFound)
	require.NotContains(t, err.Error(), "sentences", "what is no name must not reach an error")
}

func lists(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	var all []ledger.Put
	for i := range 25 {
		all = append(all, report(numbered(i), "r", ledger.Absent))
	}
	// Neighbours of the prefix on both sides, and another kind within it.
	for _, name := range []string{"report", "reports", "reports0", "reportt/1", "reports.old/1", "z", "reports/~"} {
		all = append(all, ledger.Put{Name: name, Kind: "Odd", Verb: "add"})
	}
	mustWrite(t, l, as("ann"), all...)

	inTx := func(kind, prefix, after string, limit int) (list []ledger.Resource, err error) {
		_, werr := l.Write(t.Context(), as("ann"), func(ctx context.Context, tx ledger.Tx) error {
			list, err = tx.List(ctx, kind, prefix, after, limit)
			return err
		})
		require.Equal(t, err, werr)
		return list, err
	}
	outside := func(kind, prefix, after string, limit int) ([]ledger.Resource, error) {
		return l.List(t.Context(), kind, prefix, after, limit)
	}
	for where, list := range map[string]func(kind, prefix, after string, limit int) ([]ledger.Resource, error){"ledger": outside, "tx": inTx} {
		t.Run(where, func(t *testing.T) {
			paged := func(kind, prefix string, limit int) []string {
				var got []string
				after := ""
				for {
					page, err := list(kind, prefix, after, limit)
					require.NoError(t, err)
					require.LessOrEqual(t, len(page), limit)
					if len(page) == 0 {
						return got
					}
					got = append(got, names(page)...)
					after = page[len(page)-1].Name
				}
			}
			var want []string
			for i := range 25 {
				want = append(want, "reports/"+numbered(i))
			}
			for _, limit := range []int{1, 7, 25, 1000} {
				require.Empty(t, cmp.Diff(append(want[:25:25], "reports/~"), paged("", "reports/", limit)), "limit %d", limit)
				require.Empty(t, cmp.Diff(want, paged("Report", "reports/", limit)), "limit %d", limit)
				require.Empty(t, cmp.Diff(want, paged("Report", "", limit)), "limit %d", limit)
			}
			require.Equal(t, []string{"report", "reports", "reports.old/1", "reports/~", "reports0", "reportt/1", "z"}, paged("Odd", "", 3))
			require.Len(t, paged("", "", 10), 32)
			require.Equal(t, []string{"z"}, paged("", "z", 10), "a prefix may be a whole name")
			require.Empty(t, paged("Hours", "", 10))

			page, err := list("", "reports/", "reports/"+numbered(23), 10)
			require.NoError(t, err)
			require.Equal(t, []string{"reports/" + numbered(24), "reports/~"}, names(page))
			page, err = list("", "reports/", "a", 1)
			require.NoError(t, err)
			require.Equal(t, want[:1], names(page), "after before the prefix starts at the prefix")
			page, err = list("", "reports/", "reports0", 1)
			require.NoError(t, err)
			require.Empty(t, page, "after behind the prefix is the end")
			require.Equal(t, "r", string(must(list("Report", "", "", 1))[0].Body))

			for _, limit := range []int{0, -1} {
				_, err := list("", "", "", limit)
				require.ErrorIs(t, err, ledger.ErrInvalid)
			}
			for _, odd := range []string{"told in full sentences", "\x00"} {
				_, err := list("", odd, "", 1)
				require.ErrorIs(t, err, ledger.ErrInvalid)
				_, err = list("", "", odd, 1)
				require.ErrorIs(t, err, ledger.ErrInvalid)
				require.NotContains(t, err.Error(), "sentences")
			}
		})
	}
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func claims(t *testing.T, factory Factory) {
	l, _ := open(t, factory)
	ctx := t.Context()
	claim := func(space, key, name string) error {
		_, err := l.Write(ctx, as("ann"), func(ctx context.Context, tx ledger.Tx) error {
			return tx.Claim(ctx, space, key, name)
		})
		return err
	}
	require.NoError(t, claim("badge", "12 \x00 é", "people/ann"))
	require.NoError(t, claim("badge", "12 \x00 é", "people/ann"), "the same name again is fine")
	require.NoError(t, claim("plate", "12 \x00 é", "plant/7"), "spaces are apart")

	err := claim("badge", "12 \x00 é", "people/bob")
	var claimed *ledger.ClaimedError
	require.ErrorAs(t, err, &claimed)
	require.ErrorIs(t, err, ledger.ErrClaimed)
	require.Equal(t, &ledger.ClaimedError{Space: "badge", Name: "people/ann"}, claimed)
	require.NotContains(t, err.Error(), "é", "keys must not reach an error")

	name, err := l.Claimed(ctx, "badge", "12 \x00 é")
	require.NoError(t, err)
	require.Equal(t, "people/ann", name)
	_, err = l.Claimed(ctx, "badge", "12 \x00 ")
	require.ErrorIs(t, err, ledger.ErrNotFound)

	for _, bad := range [][3]string{{"", "k", "n"}, {"s", "", "n"}, {"s", "k", ""}, {"s p", "k", "n"}, {"s", strings.Repeat("k", ledger.MaxKey+1), "n"}} {
		require.ErrorIs(t, claim(bad[0], bad[1], bad[2]), ledger.ErrInvalid)
	}

	_, err = l.Write(ctx, as("ann"), func(ctx context.Context, tx ledger.Tx) error {
		require.NoError(t, tx.Release(ctx, "badge", "12 \x00 é"))
		require.NoError(t, tx.Release(ctx, "badge", "never claimed"))
		_, err := tx.Claimed(ctx, "badge", "12 \x00 é")
		require.ErrorIs(t, err, ledger.ErrNotFound, "a tx sees its own release")
		require.NoError(t, tx.Claim(ctx, "badge", "12 \x00 é", "people/bob"))
		name, err := tx.Claimed(ctx, "badge", "12 \x00 é")
		require.NoError(t, err)
		require.Equal(t, "people/bob", name, "a tx sees its own claim")
		return nil
	})
	require.NoError(t, err)
	name, err = l.Claimed(ctx, "badge", "12 \x00 é")
	require.NoError(t, err)
	require.Equal(t, "people/bob", name)
	require.Zero(t, head(t, l).Seq, "claims are not changes")
}
