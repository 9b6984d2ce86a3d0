package intake_test

import (
	"fmt"
	"sync/atomic"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/intake"
)

// BenchmarkFileReport files from 64 tablets at once.
func BenchmarkFileReport(b *testing.B) {
	h := newHouse(b)
	d := h.Deps
	d.NewID = func() string { return uuid.Must(uuid.NewV7()).String() }
	s := intake.New(d)
	b.SetParallelism(32)
	b.RunParallel(func(p *testing.PB) {
		for p.Next() {
			_, err := s.FileReport(worker, &pb.FileReportRequest{Report: nearMiss(nil), RequestId: uuid.NewString()})
			require.NoError(b, err)
		}
	})
}

// BenchmarkImportReports imports batches of 500 records; one op is one record.
func BenchmarkImportReports(b *testing.B) {
	h := newHouse(b)
	d := h.Deps
	d.NewID = func() string { return uuid.Must(uuid.NewV7()).String() }
	s := intake.New(d)
	var id atomic.Int64
	for done := 0; done < b.N; done += 500 {
		req := &pb.ImportReportsRequest{}
		for range min(500, b.N-done) {
			req.Records = append(req.Records, imported(fmt.Sprint(id.Add(1)), nil))
		}
		_, err := s.ImportReports(integration, req)
		require.NoError(b, err)
	}
}
