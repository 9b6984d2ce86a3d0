package reads

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/record"
)

// TestFlushTogether has several flush at once while readings come in: each is
// written once, and none is lost.
func TestFlushTogether(t *testing.T) {
	t.Parallel()
	l, err := sqlite.Open(t.Context(), t.TempDir(), sqlite.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, l.Close()) })
	r := NewRecorder(l, time.Now, uuid.NewString, slog.New(slog.DiscardHandler))
	const people, each = 4, 200
	var wg sync.WaitGroup
	for p := range people {
		wg.Go(func() {
			for i := range each {
				r.add(&pb.Reading{Principal: fmt.Sprintf("principals/p%d", p), Method: "ReportService.GetReport",
					Report: "reports/" + uuid.NewString(), Class: pb.ReadClass_READ_CLASS_HEALTH})
				if i%7 == 0 {
					if err := r.Flush(context.Background()); err != nil {
						t.Error(err)
					}
				}
			}
		})
	}
	wg.Wait()
	require.NoError(t, r.Flush(t.Context()))
	n := 0
	for after := ""; ; {
		list, err := l.List(t.Context(), record.KindRead, "", after, 500)
		require.NoError(t, err)
		if len(list) == 0 {
			break
		}
		n, after = n+len(list), list[len(list)-1].Name
	}
	require.Equal(t, people*each, n)
}
