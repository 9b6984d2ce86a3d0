package hours

import (
	"context"
	"errors"
	"testing"
	"time"
	_ "time/tzdata"

	"buf.build/go/protovalidate"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/paging"
	"fairlead/services/record"
	"fairlead/services/workplace"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// now is in the middle of a month.
var now = time.Date(2026, 7, 14, 9, 0, 0, 0, time.UTC)

// known is the tree: a shire with two depots, a crew, and a yard that closed.
var known = []string{"workplaces/shire", "workplaces/shire-north", "workplaces/shire-north-trees", "workplaces/shire-south"}

func open(t testing.TB) (*Service, context.Context) {
	t.Helper()
	s, ctx, _ := house(t)
	return s, ctx
}

// house is the room on a real ledger, with the real tree following; plant adds
// workplaces.
func house(t testing.TB) (*Service, context.Context, func(...*pb.Workplace)) {
	t.Helper()
	running, stop := context.WithCancel(context.Background())
	l, err := sqlite.Open(running, t.TempDir(), sqlite.Options{})
	require.NoError(t, err)
	plant := func(all ...*pb.Workplace) {
		_, err := l.Write(running, ledger.Request{Actor: "principals/setup"}, func(ctx context.Context, tx ledger.Tx) error {
			for _, w := range all {
				p, err := record.Put(w, w.Name, record.KindWorkplace, record.VerbCreate, ledger.Any)
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
	}
	plant(&pb.Workplace{Name: "workplaces/shire", Title: "Shire", Level: 1, TimeZone: "Australia/Sydney"},
		&pb.Workplace{Name: "workplaces/shire-north", Parent: "workplaces/shire", Title: "North", Level: 2},
		&pb.Workplace{Name: "workplaces/shire-north-trees", Parent: "workplaces/shire-north", Title: "Trees", Level: 4},
		&pb.Workplace{Name: "workplaces/shire-south", Parent: "workplaces/shire", Title: "South", Level: 2},
		&pb.Workplace{Name: "workplaces/shire-yard", Parent: "workplaces/shire", Title: "Old yard", Level: 2, CloseTime: timestamppb.New(now.AddDate(-1, 0, 0))})
	tree := workplace.NewTree(l, func() time.Time { return now })
	require.NoError(t, tree.CatchUp(running))
	done := make(chan error, 1)
	go func() { done <- tree.Run(running) }()
	t.Cleanup(func() {
		stop()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("the tree stopped: %v", err)
		}
		require.NoError(t, l.Close())
	})
	s := New(l, tree, nil, paging.New(make([]byte, 32)), rules, func() time.Time { return now })
	return s, access.With(context.Background(), access.Principal{Name: "principals/x", Roles: []pb.Role{pb.Role_ROLE_ADVISER}}), plant
}

// rules applies the contract, as the server's gate does.
func rules(m proto.Message) fault.Violations {
	var vs fault.Violations
	if err := protovalidate.Validate(m); err != nil {
		var invalid *protovalidate.ValidationError
		if !errors.As(err, &invalid) {
			panic(err)
		}
		for _, v := range invalid.Violations {
			vs.Add(protovalidate.FieldPathString(v.Proto.GetField()), v.Proto.GetMessage())
		}
	}
	return vs
}

func block(workplace, month string, worked, heads float64) *pb.Hours {
	return &pb.Hours{Workplace: "workplaces/" + workplace, Month: month, EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE,
		HoursWorked: worked, HeadCount: &heads, Source: "payroll"}
}

func rowsOf(hs ...*pb.Hours) []*pb.HoursRow {
	var out []*pb.HoursRow
	for i, h := range hs {
		out = append(out, &pb.HoursRow{Line: int64(i + 2), Hours: h})
	}
	return out
}

func violations(t *testing.T, err error) map[string]string {
	t.Helper()
	require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
	out := map[string]string{}
	for _, d := range status.Convert(err).Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range br.GetFieldViolations() {
				out[v.GetField()] = v.GetDescription()
			}
		}
	}
	return out
}
