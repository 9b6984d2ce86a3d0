package facts_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/facts"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/record"
	"fairlead/services/workplace"
)

// tb is what testing.T, testing.B and rapid.T share.
type tb interface {
	require.TestingT
	Helper()
}

// world is a ledger with its tree of workplaces, written to directly: what the
// rooms check before they write is not the matter of these tests.
type world struct {
	ledger *sqlite.Store
	tree   *workplace.Tree
	// revisions of what was written.
	at map[string]int64
}

func newWorld(t tb, dir string) *world {
	t.Helper()
	l, err := sqlite.Open(context.Background(), dir, sqlite.Options{})
	require.NoError(t, err)
	w := &world{ledger: l, tree: workplace.NewTree(l, time.Now), at: map[string]int64{}}
	w.put(t,
		&pb.Workplace{Name: "workplaces/shire", Title: "Shire works", Level: 1, TimeZone: "Australia/Sydney"},
		&pb.Workplace{Name: "workplaces/north", Parent: "workplaces/shire", Title: "Northside depot", Level: 2},
		&pb.Workplace{Name: "workplaces/north-trees", Parent: "workplaces/north", Title: "Tree crew", Level: 4},
		&pb.Workplace{Name: "workplaces/quarry", Parent: "workplaces/shire", Title: "Quarry Road depot", Level: 2},
		&pb.Workplace{Name: "workplaces/far", Parent: "workplaces/shire", Title: "Far yard", Level: 2, TimeZone: "America/Denver"},
	)
	return w
}

func testWorld(t *testing.T) *world {
	w := newWorld(t, t.TempDir())
	t.Cleanup(func() { require.NoError(t, w.ledger.Close()) })
	return w
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
	}
	panic("no name")
}

// facts returns a projection that has caught up.
func (w *world) facts(t tb) *facts.Facts {
	t.Helper()
	f := facts.New(w.ledger, w.tree, prefixes{})
	w.catchUp(t, f)
	return f
}

func (w *world) catchUp(t tb, f *facts.Facts) {
	t.Helper()
	require.NoError(t, w.tree.CatchUp(context.Background()))
	require.NoError(t, f.CatchUp(context.Background()))
}

// prefixes is a code tree in which a code stands below each of its prefixes,
// as in the lists of the scheme.
type prefixes struct{}

func (prefixes) AtLevel(_ pb.Facet, code string, level int32) (string, string) {
	above := code[:min(len(code), int(level))]
	return above, "title of " + above
}

func (prefixes) Title(_ pb.Facet, code string) string { return "title of " + code }

func reportName(n int) string { return fmt.Sprintf("reports/%08x-0000-7000-8000-000000000000", n) }

func codingOf(report, harm string) *pb.Coding {
	id := harm
	if id == "" {
		id = "report"
	}
	return &pb.Coding{Name: report + "/codings/" + id, HarmId: harm}
}

func hoursOf(workplace, month string, group pb.EmploymentGroup, worked float64) *pb.Hours {
	return &pb.Hours{Name: fmt.Sprintf("%s/hours/%s.%d", workplace, month, group), Workplace: workplace, Month: month,
		EmploymentGroup: group, HoursWorked: worked}
}

func at(t tb, text string) *timestamppb.Timestamp {
	t.Helper()
	when, err := time.Parse(time.RFC3339, text)
	require.NoError(t, err)
	return timestamppb.New(when)
}
