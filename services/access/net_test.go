package access

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "fairlead/proto/gen/fairlead/v1"
)

// answers visits every message that can be in an answer.
func answers(visit func(protoreflect.MessageDescriptor)) {
	seen := map[protoreflect.FullName]bool{}
	var walk func(d protoreflect.MessageDescriptor)
	walk = func(d protoreflect.MessageDescriptor) {
		if seen[d.FullName()] || !ours(d) {
			return
		}
		seen[d.FullName()] = true
		visit(d)
		for i := range d.Fields().Len() {
			f := d.Fields().Get(i)
			if f.IsMap() {
				f = f.MapValue()
			}
			if f.Message() != nil {
				walk(f.Message())
			}
		}
	}
	protoregistry.GlobalFiles.RangeFilesByPackage("fairlead.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			s := f.Services().Get(i)
			for j := range s.Methods().Len() {
				walk(s.Methods().Get(j).Output())
			}
		}
		return true
	})
}

// TestEveryAnswerIsMarked: no message leaves of which nobody said how sensitive
// it is.
func TestEveryAnswerIsMarked(t *testing.T) {
	t.Parallel()
	n := 0
	answers(func(d protoreflect.MessageDescriptor) {
		n++
		level, said := FieldsLevel(d)
		require.True(t, said, "%s: say how sensitive its fields are: option (fairlead.v1.fields_sensitivity)", d.FullName())
		require.True(t, level >= 0 && level <= 3, d.FullName())
		for i := range d.Fields().Len() {
			f := d.Fields().Get(i)
			if proto.HasExtension(f.Options(), pb.E_Sensitivity) {
				at := proto.GetExtension(f.Options(), pb.E_Sensitivity).(int32)
				require.True(t, at >= 0 && at <= 3, f.FullName())
			}
			// Names that a stored secret or a person would have.
			switch f.Name() {
			case "secret_sha256", "code_sha256", "password_hash":
				require.True(t, proto.GetExtension(f.Options(), pb.E_KeptOnly).(bool), f.FullName())
			}
		}
	})
	require.Greater(t, n, 100)
	for m := range whole {
		require.True(t, NewPolicy().Knows(m), m)
	}
	for n := range pb.Role_name {
		if _, ok := clearances[pb.Role(n)]; n != 0 {
			require.True(t, ok, "%s: say what it is cleared for", pb.Role(n))
		}
	}
}

// TestNet puts everything into a report and looks at what comes through.
func TestNet(t *testing.T) {
	t.Parallel()
	full := func() *pb.ListReportsResponse {
		return &pb.ListReportsResponse{TotalSize: 1, Reports: []*pb.Report{{Name: "reports/1", Narrative: "n", Harms: []*pb.Harm{{
			HarmId: "h1", Person: "people/x", Description: "cut", Outcome: 3, EmploymentGroup: 1, Absences: []*pb.Absence{{FirstDate: "2026-01-01"}},
			OutcomeHistory: []*pb.OutcomeChange{{Outcome: 3, Recorder: "principals/y"}}}}}}}
	}
	net := &Net{}
	as := func(r pb.Role) Clearance {
		return ClearanceOf(Principal{Name: "p", Roles: []pb.Role{r}}, "ReportService.ListReports")
	}
	m, cleared := net.Clear(as(adviser), full())
	require.Empty(t, cleared)
	require.True(t, proto.Equal(full(), m))

	was := full()
	m, cleared = net.Clear(as(auditor), was)
	require.ElementsMatch(t, []protoreflect.FullName{"fairlead.v1.Harm.person", "fairlead.v1.OutcomeChange.recorder"}, cleared)
	require.Equal(t, "cut", m.(*pb.ListReportsResponse).Reports[0].Harms[0].Description)
	require.True(t, proto.Equal(full(), was), "what the room keeps is not touched")

	m, _ = net.Clear(as(representative), full())
	require.True(t, proto.Equal(&pb.Harm{HarmId: "h1", Outcome: 3, EmploymentGroup: 1, Absences: []*pb.Absence{{}}, OutcomeHistory: []*pb.OutcomeChange{{}}},
		m.(*pb.ListReportsResponse).Reports[0].Harms[0]), m)

	// Kept things go to nobody, an adviser and administrator in one included.
	list := &pb.ListSessionsResponse{Sessions: []*pb.Session{{Name: "sessions/1", SecretSha256: "x"}}}
	all := ClearanceOf(Principal{Name: "p", Roles: []pb.Role{adviser, administrator}}, "PrincipalService.ListSessions")
	m, cleared = net.Clear(all, list)
	require.Equal(t, []protoreflect.FullName{"fairlead.v1.Session.secret_sha256"}, cleared)
	require.Empty(t, m.(*pb.ListSessionsResponse).Sessions[0].SecretSha256)

	teller := &pb.Teller{Name: "reports/1/teller", DisplayName: "T"}
	_, cleared = net.Clear(ClearanceOf(Principal{Name: "p", Roles: []pb.Role{adviser}}, "ReportService.GetReport"), teller)
	require.NotEmpty(t, cleared, "by any other door not even to an adviser")
	_, cleared = net.Clear(Clearance{}, &pb.Chart{Sentence: "s", Points: []*pb.ChartPoint{{Month: "2026-01"}}})
	require.Empty(t, cleared)
	_, cleared = net.Clear(Clearance{}, nil)
	require.Empty(t, cleared)
}
