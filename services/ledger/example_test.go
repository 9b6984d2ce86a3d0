package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"os"

	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
)

// A service writes, a projection follows, and the writer reads its own write.
func Example() {
	dir, err := os.MkdirTemp("", "ledger")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	ctx, cancel := context.WithCancel(context.Background())
	l, err := sqlite.Open(ctx, dir, sqlite.Options{})
	if err != nil {
		panic(err)
	}
	defer l.Close()

	counts := map[string]int{}
	var cursor ledger.Cursor
	ended := make(chan error)
	go func() {
		ended <- ledger.Follow(ctx, l, cursor.Seq(), 1000, func(_ context.Context, changes []ledger.Change) error {
			for _, c := range changes {
				counts[c.Verb]++
			}
			cursor.Advance(changes[len(changes)-1].Seq)
			return nil
		})
	}()

	request := ledger.Request{Actor: "devices/tablet-1", ID: "0190b000-1"}
	file := func(ctx context.Context, tx ledger.Tx) error {
		_, err := tx.Put(ctx, ledger.Put{Name: "reports/0190a000-1", Kind: "Report", Verb: "file", Body: []byte("…")})
		tx.SetAnswer([]byte("filed"))
		return err
	}
	for range 2 { // the tablet sends twice: the answer to the first was lost
		receipt, err := l.Write(ctx, request, file)
		fmt.Printf("%s as change %d, replayed %v, error %v\n", receipt.Answer, receipt.Seq, receipt.Replayed, err)
		if err := cursor.Wait(ctx, receipt.Seq); err != nil {
			panic(err)
		}
	}
	cancel()
	fmt.Println(errors.Is(<-ended, context.Canceled), counts)
	// Output:
	// filed as change 1, replayed false, error <nil>
	// filed as change 1, replayed true, error <nil>
	// true map[file:1]
}
