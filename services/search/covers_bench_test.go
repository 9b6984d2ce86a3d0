package search_test

import (
	"context"
	"io/fs"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/record"
	"fairlead/services/search"
)

// sizeOf is how long the files of a folder are.
func sizeOf(b *testing.B, dir string) (n int64) {
	require.NoError(b, filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			i, e := d.Info()
			if e == nil {
				n += i.Size()
			}
		}
		return err
	}))
	return n
}

// BenchmarkUnderCovers asks as those who read stories whole and as those who read
// them with names covered, where three of ten name somebody.
func BenchmarkUnderCovers(b *testing.B) {
	reports := benchReports(b)
	w := openWorld(b, b.TempDir(), search.Options{})
	s := newStoryteller()
	sites := []proto.Message{&pb.Workplace{Name: "workplaces/root", Title: "Root", Level: 1, TimeZone: "Australia/Sydney"}}
	for n := range 64 {
		sites = append(sites, &pb.Workplace{Name: "workplaces/site-" + string(rune('0'+n/10)) + string(rune('0'+n%10)), Parent: "workplaces/root", Title: "Site", Level: 2})
	}
	w.put(b, sites...)
	rnd := rand.New(rand.NewPCG(7, 8))
	var people []string
	_, err := w.ledger.Write(context.Background(), ledger.Request{Actor: "principals/test"}, func(ctx context.Context, tx ledger.Tx) error {
		people = nil
		for n := range 300 {
			first, last := s.words[5000+2*n], s.words[20000+2*n]
			name := strings.ToUpper(first[:1]) + first[1:] + " " + strings.ToUpper(last[:1]) + last[1:]
			people = append(people, name)
			p, err := record.Put(&pb.Person{DisplayName: name, EmploymentGroup: 1}, "people/p"+first, record.KindPerson, record.VerbCreate, ledger.Any)
			if err != nil {
				return err
			}
			if _, err := tx.Put(ctx, p); err != nil {
				return err
			}
		}
		return nil
	})
	require.NoError(b, err)
	named := 0
	for n := 0; n < reports; {
		var batch []proto.Message
		for len(batch) < 2000 && n < reports {
			r := s.report(n)
			r.Workplace = "workplaces/site-" + string(rune('0'+n%60/10)) + string(rune('0'+n%10))
			if rnd.IntN(10) < 3 {
				named++
				r.Narrative += " told " + people[rnd.IntN(len(people))] + " about it"
			}
			batch = append(batch, r)
			n++
		}
		w.put(b, batch...)
	}
	ctx := context.Background()
	require.NoError(b, w.tree.CatchUp(ctx))
	require.NoError(b, w.covers.CatchUp(ctx))
	require.NoError(b, w.facts.CatchUp(ctx))
	began := time.Now()
	require.NoError(b, w.index.CatchUp(ctx))
	took := time.Since(began)
	require.NoError(b, w.index.Close())
	size := sizeOf(b, filepath.Join(w.dir, "search"))
	b.Logf("%d reports, %d with names: indexed at %.0f a second, %.1f MB", reports, named, float64(reports)/took.Seconds(), float64(size)/1e6)
	w.openIndex(b, search.Options{})
	require.NoError(b, w.index.CatchUp(ctx))
	defer w.close(b)
	for _, role := range []pb.Role{pb.Role_ROLE_ADVISER, pb.Role_ROLE_REPRESENTATIVE} {
		for _, q := range []struct {
			name     string
			from, to int
		}{{"common word", 20, 60}, {"usual word", 200, 2000}} {
			b.Run(role.String()+"/"+q.name, func(b *testing.B) {
				var took []time.Duration
				var hits int64
				for b.Loop() {
					req := words(s.words[q.from+rnd.IntN(q.to-q.from)])
					began := time.Now()
					resp, err := w.search(as(role), req)
					took = append(took, time.Since(began))
					require.NoError(b, err)
					hits += resp.GetTotalSize()
				}
				slices.Sort(took)
				b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "p50-ms")
				b.ReportMetric(float64(hits)/float64(len(took)), "hits")
			})
		}
	}
}
