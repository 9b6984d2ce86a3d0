package search_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"buf.build/go/protovalidate"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/facts"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/masking"
	"fairlead/services/paging"
	"fairlead/services/record"
	"fairlead/services/search"
	"fairlead/services/workplace"
)

// tb is what testing.T, testing.B and rapid.T share.
type tb interface {
	require.TestingT
	Helper()
}

// world is a real ledger with the projections that a search needs. Reports are
// written to the ledger directly: what the rooms check before they write is
// not the matter of these tests.
type world struct {
	dir     string
	ledger  *sqlite.Store
	tree    *workplace.Tree
	covers  *masking.Covers
	facts   *facts.Facts
	index   *search.Projection
	service *search.Service
}

func openWorld(t tb, dir string, opts search.Options) *world {
	t.Helper()
	l, err := sqlite.Open(context.Background(), dir, sqlite.Options{})
	require.NoError(t, err)
	w := &world{dir: dir, ledger: l}
	w.tree = workplace.NewTree(l, time.Now)
	w.covers = masking.NewCovers(l)
	w.facts = facts.New(l, w.tree, prefixes{})
	w.openIndex(t, opts)
	return w
}

func (w *world) openIndex(t tb, opts search.Options) {
	t.Helper()
	var err error
	if opts.Covers == nil {
		opts.Covers = w.covers
	}
	w.index, err = search.Open(w.dir+"/search", w.ledger, w.tree, opts)
	require.NoError(t, err)
	w.service = search.New(w.index, w.tree, w.facts, paging.New([]byte("0123456789abcdef")))
}

func (w *world) close(t tb) {
	t.Helper()
	require.NoError(t, w.index.Close())
	require.NoError(t, w.ledger.Close())
}

// shire is the world of testdata, caught up.
func shire(t *testing.T) *world {
	t.Helper()
	w := openWorld(t, t.TempDir(), search.Options{})
	t.Cleanup(func() { w.close(t) })
	w.load(t)
	w.catchUp(t)
	return w
}

func (w *world) load(t tb) {
	t.Helper()
	var all []proto.Message
	for _, raw := range readList(t, "testdata/data/workplaces.json") {
		m := &pb.Workplace{}
		require.NoError(t, protojson.Unmarshal(raw, m))
		all = append(all, m)
	}
	for _, raw := range readList(t, "testdata/data/reports.json") {
		m := &pb.Report{}
		require.NoError(t, protojson.Unmarshal(raw, m))
		all = append(all, m)
	}
	all = append(all, &pb.Coding{Name: number(1) + "/codings/report", Mechanism: "28"})
	w.put(t, all...)
}

func readList(t tb, path string) []json.RawMessage {
	t.Helper()
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	var list []json.RawMessage
	require.NoError(t, json.Unmarshal(b, &list))
	return list
}

func (w *world) catchUp(t tb) {
	t.Helper()
	ctx := context.Background()
	require.NoError(t, w.tree.CatchUp(ctx))
	require.NoError(t, w.covers.CatchUp(ctx))
	require.NoError(t, w.facts.CatchUp(ctx))
	require.NoError(t, w.index.CatchUp(ctx))
}

// put writes resources in one transaction and returns the sequence number.
func (w *world) put(t tb, messages ...proto.Message) int64 {
	t.Helper()
	receipt, err := w.ledger.Write(context.Background(), ledger.Request{Actor: "principals/test"},
		func(ctx context.Context, tx ledger.Tx) error {
			for _, m := range messages {
				name, kind := naming(m)
				p, err := record.Put(m, name, kind, record.VerbUpdate, ledger.Any)
				if err != nil {
					return err
				}
				if _, err := tx.Put(ctx, p); err != nil {
					return err
				}
			}
			return nil
		})
	require.NoError(t, err)
	return receipt.Seq
}

func naming(m proto.Message) (name, kind string) {
	switch m := m.(type) {
	case *pb.Workplace:
		return m.GetName(), record.KindWorkplace
	case *pb.Report:
		return m.GetName(), record.KindReport
	case *pb.Coding:
		return m.GetName(), record.KindCoding
	case *pb.Hours:
		return m.GetName(), record.KindHours
	case *pb.Person:
		return m.GetName(), record.KindPerson
	case *pb.MaskedText:
		return m.GetName(), record.KindMasked
	}
	panic("no name")
}

// prefixes is a code tree in which a code stands below each of its prefixes.
type prefixes struct{}

func (prefixes) AtLevel(_ pb.Facet, code string, level int32) (string, string) {
	return code[:min(len(code), int(level))], "title"
}

func (prefixes) Title(pb.Facet, string) string { return "title" }

// number is the name of a report of testdata, and numberOf goes back.
func number(n int) string { return fmt.Sprintf("reports/%08d-0000-7000-8000-000000000000", n) }

func numberOf(t tb, name string) int {
	n, err := strconv.Atoi(strings.TrimPrefix(name, "reports/")[:8])
	require.NoError(t, err)
	return n
}

// as is a context in which someone with a role asks.
func as(role pb.Role, scope ...string) context.Context {
	return access.With(context.Background(),
		access.Principal{Name: "principals/test", Roles: []pb.Role{role}, Workplaces: scope})
}

func adviser() context.Context { return as(pb.Role_ROLE_ADVISER) }

// search asks as a client does: the rules of the contract come first.
func (w *world) search(ctx context.Context, req *pb.SearchReportsRequest) (*pb.SearchReportsResponse, error) {
	if err := protovalidate.Validate(req); err != nil {
		return nil, err
	}
	return w.service.SearchReports(ctx, req)
}

// find returns the numbers of all reports that words find, best first.
func (w *world) find(t tb, ctx context.Context, req *pb.SearchReportsRequest) []int {
	t.Helper()
	resp, err := w.search(ctx, req)
	require.NoError(t, err)
	var out []int
	for _, h := range resp.GetHits() {
		out = append(out, numberOf(t, h.GetReport()))
	}
	return out
}

func words(s string) *pb.SearchReportsRequest { return &pb.SearchReportsRequest{Words: s} }

// plainSnippet puts what was looked for in square brackets.
func plainSnippet(parts []*pb.SnippetPart) string {
	var b strings.Builder
	for _, p := range parts {
		if p.GetMatched() {
			b.WriteString("[" + p.GetText() + "]")
		} else {
			b.WriteString(p.GetText())
		}
	}
	return b.String()
}

// putRaw writes a report whose body is whatever is given.
func (w *world) putRaw(t tb, name string, body []byte) {
	t.Helper()
	_, err := w.ledger.Write(context.Background(), ledger.Request{Actor: "principals/test"},
		func(ctx context.Context, tx ledger.Tx) error {
			_, err := tx.Put(ctx, ledger.Put{Name: name, Kind: record.KindReport, Verb: record.VerbFile, Body: body, IfRevision: ledger.Any})
			return err
		})
	require.NoError(t, err)
}

// putOther writes a resource of another kind.
func (w *world) putOther(t tb, m proto.Message, name, kind string) {
	t.Helper()
	_, err := w.ledger.Write(context.Background(), ledger.Request{Actor: "principals/test"},
		func(ctx context.Context, tx ledger.Tx) error {
			p, err := record.Put(m, name, kind, record.VerbFile, ledger.Any)
			if err != nil {
				return err
			}
			_, err = tx.Put(ctx, p)
			return err
		})
	require.NoError(t, err)
}
