package facts_test

import (
	"errors"
	"os"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/facts"
)

// FuzzQuestions asks with positions and filters that nobody checked before: each
// is answered or refused as the caller's error, and a page is never longer than
// asked for.
func FuzzQuestions(f *testing.F) {
	dir, err := os.MkdirTemp("", "facts")
	if err != nil {
		f.Fatal(err)
	}
	defer os.RemoveAll(dir)
	w := newWorld(f, dir)
	defer w.ledger.Close()
	for n := range 5 {
		w.put(f, &pb.Report{Name: reportName(n), Workplace: "workplaces/north", OccurTime: at(f, "2026-03-02T00:00:00Z")})
	}
	figures := w.facts(f)
	_, next, _, err := figures.Newest(nil, nil, "", 2)
	if err != nil {
		f.Fatal(err)
	}
	cells := []*pb.CellMatch{{Sides: []*pb.CellSide{{Dimension: 5, Key: "2"}}, CountHarms: true}, {Sides: []*pb.CellSide{{Dimension: 3, Key: "2026-03"}}}}
	seed, err := proto.Marshal(&pb.ReportFilter{StartDate: "2026-01-01", Cells: cells, Codes: []*pb.CodeMatch{{Facet: 3, Code: "2"}}, Outcomes: []pb.OutcomeClass{-1, 99}})
	if err != nil {
		f.Fatal(err)
	}
	f.Add("", []byte{}, 1, 2)
	f.Add(next, seed, 5, 13)
	f.Add("0.00", seed, -1, 99)
	f.Fuzz(func(t *testing.T, after string, filter []byte, rows, columns int) {
		q := &pb.ReportFilter{}
		if proto.Unmarshal(filter, q) != nil {
			return // the door refuses it before it is a question
		}
		names, _, total, err := figures.Newest(q, nil, after, 2)
		if err != nil && !errors.Is(err, facts.ErrPosition) && status.Code(err) != codes.InvalidArgument {
			t.Fatalf("Newest: %v", err)
		}
		if len(names) > 2 || total > 5 {
			t.Fatalf("%d names of %d", len(names), total)
		}
		for _, harms := range []bool{false, true} {
			table, err := figures.Tabulate(q, nil, pb.Dimension(rows), pb.Dimension(columns), int32(columns), harms)
			if err != nil && status.Code(err) != codes.InvalidArgument {
				t.Fatalf("Tabulate: %v", err)
			}
			if err == nil && len(table.GetCounts()) != len(table.GetRows())*len(table.GetColumns()) {
				t.Fatalf("%d counts for %d by %d", len(table.GetCounts()), len(table.GetRows()), len(table.GetColumns()))
			}
		}
	})
}
