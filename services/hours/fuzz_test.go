package hours

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	pb "fairlead/proto/gen/fairlead/v1"
)

// FuzzImportHours: whatever a file holds, nothing panics, a refusal writes
// nothing, and the same file again writes nothing.
func FuzzImportHours(f *testing.F) {
	s, ctx := open(f)
	f.Add(`{"rows":[{"line":2,"hours":{"workplace":"workplaces/shire-north","month":"2026-03","employmentGroup":1,"hoursWorked":400,"headCount":3}}]}`)
	f.Add(`{"rows":[{},{"hours":{}},{"line":-1,"hours":{"month":"2026-13","hoursWorked":"NaN"}}],"restate":true,"reason":"x y"}`)
	f.Add(`{"rows":[{"hours":{"workplace":"workplaces/shire","month":"1950-01","employmentGroup":4,"hoursWorked":"-0","headCount":0}},{"hours":{"workplace":"workplaces/shire-south","month":"1950-01","employmentGroup":4,"hoursWorked":1e8}}]}`)
	f.Fuzz(func(t *testing.T, text string) {
		req := &pb.ImportHoursRequest{}
		if (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal([]byte(text), req) != nil || len(rules(req)) > 0 {
			return
		}
		before, err := s.ledger.Head(ctx)
		require.NoError(t, err)
		out, err := s.ImportHours(ctx, req)
		after, headErr := s.ledger.Head(ctx)
		require.NoError(t, headErr)
		if err != nil {
			require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
			require.Equal(t, before, after)
			return
		}
		require.EqualValues(t, len(req.GetRows()), out.Created+out.Restated+out.Unchanged)
		if req.GetValidateOnly() {
			require.Equal(t, before, after)
			return
		}
		_, err = s.ImportHours(ctx, req)
		require.NoError(t, err)
		again, err := s.ledger.Head(ctx)
		require.NoError(t, err)
		require.Equal(t, after, again)
	})
}

// BenchmarkImportHours imports a file of 20,000 rows: 30 crews, 55 years.
func BenchmarkImportHours(b *testing.B) {
	s, ctx, plant := house(b)
	var all []*pb.Hours
	for c := range 30 {
		id := fmt.Sprintf("crew-%02d", c)
		plant(&pb.Workplace{Name: "workplaces/" + id, Parent: "workplaces/shire-south", Title: "Crew", Level: 4})
		for m := range 666 {
			all = append(all, block(id, fmt.Sprintf("%d-%02d", 1970+m/12, 1+m%12), 400, 3))
		}
	}
	for i := 0; b.Loop(); i++ {
		for _, h := range all {
			h.HoursWorked = float64(300 + i%100)
		}
		_, err := s.ImportHours(ctx, &pb.ImportHoursRequest{Rows: rowsOf(all...), Restate: true, Reason: "benchmark"})
		require.NoError(b, err)
	}
}
