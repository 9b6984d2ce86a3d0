package search_test

import (
	"context"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/facts"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/paging"
	"fairlead/services/record"
	"fairlead/services/search"
	"fairlead/services/workplace"
)

// A report is written, the index follows, and the report is found by another
// form of its words.
func Example() {
	ctx := as(pb.Role_ROLE_ADVISER)
	dir, err := os.MkdirTemp("", "search")
	if err != nil {
		log.Fatal(err)
	}
	defer func() { _ = os.RemoveAll(dir) }()
	l, err := sqlite.Open(ctx, dir, sqlite.Options{})
	if err != nil {
		log.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	tree := workplace.NewTree(l, time.Now)
	figures := facts.New(l, tree, prefixes{})
	index, err := search.Open(filepath.Join(dir, "search"), l, tree, search.Options{})
	if err != nil {
		log.Fatal(err)
	}
	defer func() { _ = index.Close() }()
	service := search.New(index, tree, figures, paging.New([]byte("0123456789abcdef")))

	_, err = l.Write(ctx, ledger.Request{Actor: "principals/sam"}, func(ctx context.Context, tx ledger.Tx) error {
		p, err := record.Put(&pb.Report{
			Name:      "reports/01890a5d-ac96-774b-bcce-b302099a8057",
			Narrative: "Truck was reversing with no spotter.",
			OccurTime: timestamppb.New(time.Date(2026, 3, 4, 1, 0, 0, 0, time.UTC)),
		}, "reports/01890a5d-ac96-774b-bcce-b302099a8057", record.KindReport, record.VerbFile, ledger.Absent)
		if err != nil {
			return err
		}
		_, err = tx.Put(ctx, p)
		return err
	})
	if err != nil {
		log.Fatal(err)
	}
	for _, catchUp := range []func(context.Context) error{tree.CatchUp, figures.CatchUp, index.CatchUp} {
		if err := catchUp(ctx); err != nil {
			log.Fatal(err)
		}
	}
	resp, err := service.SearchReports(ctx, &pb.SearchReportsRequest{Words: "reversed without a spotter"})
	if err != nil {
		log.Fatal(err)
	}
	for _, h := range resp.GetHits() {
		fmt.Println(plainSnippet(h.GetSnippet()))
	}
	// Output: Truck was [reversing] with no [spotter].
}
