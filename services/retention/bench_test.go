package retention_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/facts"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/record"
	"fairlead/services/retention"
	"fairlead/services/workplace"
)

// BenchmarkPreview looks at what is due among 20,000 reports, and at where a
// person is in them, which both read all there is.
func BenchmarkPreview(b *testing.B) {
	const reports = 20_000
	ctx := access.With(context.Background(), access.Principal{Name: "principals/adviser", Roles: []pb.Role{pb.Role_ROLE_ADVISER}})
	l, err := sqlite.Open(ctx, b.TempDir(), sqlite.Options{})
	require.NoError(b, err)
	defer l.Close()
	put := func(kind string, from, to int, of func(n int) (string, proto.Message)) {
		_, err := l.Write(ctx, ledger.Request{Actor: "principals/test"}, func(ctx context.Context, tx ledger.Tx) error {
			for n := from; n < to; n++ {
				name, m := of(n)
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
		require.NoError(b, err)
	}
	put(record.KindWorkplace, 0, 1, func(int) (string, proto.Message) {
		return "workplaces/shire", &pb.Workplace{Name: "workplaces/shire", Level: 1, TimeZone: "Australia/Sydney"}
	})
	put(record.KindPerson, 0, 1, func(int) (string, proto.Message) {
		return person, &pb.Person{Name: person, DisplayName: name, EmploymentGroup: 1}
	})
	put(record.KindRetentionClass, 0, 1, func(int) (string, proto.Message) {
		return "retentionClasses/c", &pb.RetentionClass{Name: "retentionClasses/c", InForce: true, Months: 12, Start: 1, Step: 4}
	})
	for from := 0; from < reports; from += 2000 {
		put(record.KindReport, from, from+2000, func(n int) (string, proto.Message) {
			return reportName(n), &pb.Report{Name: reportName(n), Kind: 2, Workplace: "workplaces/shire", Narrative: "A hung-up branch came down while the crew was rigging.",
				OccurTime: timestamppb.New(begin.AddDate(0, 0, -n%2000)), ReceiveTime: timestamppb.New(begin), State: 1}
		})
	}
	tree := workplace.NewTree(l, time.Now)
	f := facts.New(l, tree, flat{})
	require.NoError(b, tree.CatchUp(ctx))
	require.NoError(b, f.CatchUp(ctx))
	s, err := retention.New(retention.Deps{Ledger: l, Tree: tree, Facts: f, Clock: func() time.Time { return begin }, NewID: uuid.NewString})
	require.NoError(b, err)
	b.Run("due", func(b *testing.B) {
		for b.Loop() {
			due, err := s.PreviewRetention(ctx, &pb.PreviewRetentionRequest{})
			require.NoError(b, err)
			require.NotZero(b, due.GetDue()[0].GetCount())
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/reports, "ns/report")
	})
	b.Run("person", func(b *testing.B) {
		for b.Loop() {
			_, err := s.ErasePerson(ctx, &pb.ErasePersonRequest{Name: person, Reason: "asked", ValidateOnly: true})
			require.NoError(b, err)
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/reports, "ns/report")
	})
}
