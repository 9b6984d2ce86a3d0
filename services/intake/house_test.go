package intake_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"buf.build/go/protovalidate"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/facts"
	"fairlead/services/fault"
	"fairlead/services/intake"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/paging"
	"fairlead/services/record"
	"fairlead/services/workplace"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// now is the time of the house: a Wednesday, four in the afternoon in Sydney.
var now = time.Date(2026, 3, 4, 5, 0, 0, 0, time.UTC)

// Workplaces and people of the example world.
const (
	shire     = "workplaces/brindle-range"
	northside = "workplaces/northside"
	trees     = "workplaces/northside-trees"
	quarry    = "workplaces/quarry-road"
	oldYard   = "workplaces/old-yard"
	hurtOne   = "people/p1"
)

// house is the room on a real ledger, with its projections following.
type house struct {
	*intake.Service
	t     testing.TB
	log   ledger.Ledger
	tree  *workplace.Tree
	facts *facts.Facts
	now   time.Time
	ids   int
}

func newHouse(t testing.TB) *house {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	h := &house{t: t, now: now}
	clock := func() time.Time { return h.now }
	l, err := sqlite.Open(ctx, t.TempDir(), sqlite.Options{Clock: clock})
	require.NoError(t, err)
	h.log = l
	h.tree = workplace.NewTree(l, clock)
	h.facts = facts.New(l, h.tree, nil)
	h.put(t,
		&pb.Workplace{Name: shire, Title: "Brindle Range Shire", Level: 1, TimeZone: "Australia/Sydney", Jurisdiction: "AU-NSW"},
		&pb.Workplace{Name: northside, Parent: shire, Title: "Northside depot", Level: 2},
		&pb.Workplace{Name: trees, Parent: northside, Title: "Tree crew", Level: 4},
		&pb.Workplace{Name: quarry, Parent: shire, Title: "Quarry Road depot", Level: 2, TimeZone: "Australia/Perth"},
		&pb.Workplace{Name: oldYard, Parent: shire, Title: "Old yard", Level: 2, CloseTime: timestamppb.New(now.AddDate(0, -6, 0))},
		&pb.Person{Name: hurtOne, DisplayName: "Wren Fernmantle", Workplace: northside, EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_LABOUR_HIRE})
	require.NoError(t, h.tree.CatchUp(ctx))
	require.NoError(t, h.facts.CatchUp(ctx))
	done := make(chan error, 2)
	go func() { done <- h.tree.Run(ctx) }()
	go func() { done <- h.facts.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		for range 2 {
			if err := <-done; !errors.Is(err, context.Canceled) {
				t.Errorf("a projection stopped: %v", err)
			}
		}
		require.NoError(t, l.Close())
	})
	h.Service = intake.New(intake.Deps{Ledger: l, Tree: h.tree, Finder: h.facts, Codes: someCodes{}, Rules: rules,
		Tokens: paging.New([]byte("0123456789abcdef")), Clock: clock,
		NewID: func() string {
			h.ids++
			return fmt.Sprintf("0190d3a0-7c1e-7b3a-9f6e-%012x", h.ids)
		},
		RandomID: func() string { return uuid.NewString() }})
	return h
}

// put writes workplaces and people as their own room would.
func (h *house) put(t testing.TB, all ...proto.Message) {
	t.Helper()
	_, err := h.log.Write(context.Background(), ledger.Request{Actor: "principals/setup"}, func(ctx context.Context, tx ledger.Tx) error {
		for _, m := range all {
			name, kind := "", ""
			switch m := m.(type) {
			case *pb.Workplace:
				name, kind = m.Name, record.KindWorkplace
			case *pb.Person:
				name, kind = m.Name, record.KindPerson
			}
			p, err := record.Put(m, name, kind, record.VerbCreate, ledger.Any)
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

func (h *house) head() int64 {
	h.t.Helper()
	at, err := h.log.Head(context.Background())
	require.NoError(h.t, err)
	return at.Seq
}

// file files a report as a worker.
func (h *house) file(r *pb.Report) *pb.Report {
	h.t.Helper()
	resp, err := call(worker, h.FileReport, &pb.FileReportRequest{Report: r})
	require.NoError(h.t, err)
	return resp.Report
}

// someCodes knows mechanism codes of two digits, and one alias.
type someCodes struct{}

// Check implements intake.CodeChecker.
func (someCodes) Check(_ context.Context, c *pb.Coding) []fault.Violation {
	c.Edition = "TOOCS 3.1"
	c.Mechanism = strings.TrimPrefix(c.Mechanism, "0")
	if c.Mechanism != "" && len(c.Mechanism) != 2 {
		return []fault.Violation{{Field: "mechanism", Description: "is not a code; the nearest is 02"}}
	}
	return nil
}

func as(r pb.Role, workplaces ...string) context.Context {
	return access.With(context.Background(), access.Principal{Name: "principals/" + strings.ToLower(strings.TrimPrefix(r.String(), "ROLE_")),
		Roles: []pb.Role{r}, Workplaces: workplaces})
}

var (
	worker         = as(pb.Role_ROLE_WORKER)
	adviser        = as(pb.Role_ROLE_ADVISER)
	supervisor     = as(pb.Role_ROLE_SUPERVISOR)
	representative = as(pb.Role_ROLE_REPRESENTATIVE)
	auditor        = as(pb.Role_ROLE_AUDITOR)
	integration    = as(pb.Role_ROLE_INTEGRATION)
)

// call does what a client's call does: the rules of the contract first, then the
// room.
func call[Q proto.Message, R any](ctx context.Context, method func(context.Context, Q) (R, error), req Q) (R, error) {
	if err := rules(req).Err(); err != nil {
		var none R
		return none, err
	}
	return method(ctx, req)
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

// fields returns the fields that an error complains about.
func fields(err error) []string {
	var out []string
	for _, d := range status.Convert(err).Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range br.GetFieldViolations() {
				out = append(out, v.GetField())
			}
		}
	}
	return out
}

// refused checks that an error is INVALID_ARGUMENT, names exactly these fields,
// and that every violation says what to do.
func refused(t *testing.T, err error, want ...string) {
	t.Helper()
	require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
	require.ElementsMatch(t, want, fields(err), "%v", status.Convert(err).Details())
}

// nearMiss is a report that is fine; change makes it something else.
func nearMiss(change func(*pb.Report)) *pb.Report {
	r := &pb.Report{
		Kind: pb.ReportKind_REPORT_KIND_NEAR_MISS, Workplace: northside,
		Narrative:  "A branch came down beside the chipper while two of us were feeding it.",
		OccurTime:  timestamppb.New(now.Add(-time.Hour)),
		TellerMode: pb.TellerMode_TELLER_MODE_NAMED,
	}
	if change != nil {
		change(r)
	}
	return r
}

// injury is a report with one harm that is fine.
func injury(change func(*pb.Report, *pb.Harm)) *pb.Report {
	harm := &pb.Harm{Description: "Cut on the left forearm", Treatment: pb.Treatment_TREATMENT_MEDICAL,
		OutcomeHistory: []*pb.OutcomeChange{{Outcome: pb.OutcomeClass_OUTCOME_CLASS_MEDICAL_TREATMENT}}}
	r := nearMiss(func(r *pb.Report) {
		r.Kind, r.Harms = pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, []*pb.Harm{harm}
		// Monday of last week.
		r.OccurTime = timestamppb.New(time.Date(2026, 2, 23, 1, 0, 0, 0, time.UTC))
	})
	if change != nil {
		change(r, harm)
	}
	return r
}

func at(s string) *timestamppb.Timestamp {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		panic(err)
	}
	return timestamppb.New(t)
}
