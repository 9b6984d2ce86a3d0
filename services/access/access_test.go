package access

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "fairlead/proto/gen/fairlead/v1"
)

// methods returns every method of the contract.
func methods(t *testing.T) []string {
	t.Helper()
	var out []string
	protoregistry.GlobalFiles.RangeFilesByPackage("fairlead.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			s := f.Services().Get(i)
			for j := range s.Methods().Len() {
				out = append(out, string(s.Name())+"."+string(s.Methods().Get(j).Name()))
			}
		}
		return true
	})
	require.NotEmpty(t, out)
	return out
}

func TestPolicyCoversTheContract(t *testing.T) {
	t.Parallel()
	_ = pb.Role_ROLE_WORKER
	policy := NewPolicy()
	known := map[string]bool{}
	for _, m := range methods(t) {
		known[m] = true
		require.True(t, policy.Knows(m), "no rule for %s: decide who may call it", m)
	}
	for m := range rules {
		require.True(t, known[m], "rule for %s, which the contract does not have", m)
	}
}

func TestAllow(t *testing.T) {
	t.Parallel()
	policy := NewPolicy()
	who := func(r pb.Role) Principal { return Principal{Name: "principals/x", Roles: []pb.Role{r}} }
	// What asks for a code of its own, by name: nothing else is open.
	open := []string{"DeviceService.EnrolDevice", "ReceiptService.GetProgress", "ReceiptService.ListMessages", "ReceiptService.AddMessage", "ReceiptService.Acknowledge",
		// Who signs in has not yet.
		"SignInService.GetSignInWays", "SignInService.SignInWithPassword", "SignInService.SetPassword", "SignInService.BeginPasskey", "SignInService.FinishPasskey",
		"SignInService.BeginOpenID", "SignInService.FinishOpenID"}
	for _, m := range methods(t) {
		require.Equal(t, slices.Contains(open, m), policy.Open(m), m)
		if policy.Open(m) {
			continue
		}
		require.Equal(t, codes.Unauthenticated, status.Code(policy.Allow(Principal{}, m)), "%s is open to strangers", m)
		require.Equal(t, codes.PermissionDenied, status.Code(policy.Allow(who(pb.Role_ROLE_UNSPECIFIED), m)))
		writes := !strings.Contains(m, ".Preview") && !strings.Contains(m, ".Get") && !strings.Contains(m, ".List") && !strings.Contains(m, ".Compute") && !strings.Contains(m, ".Compare") &&
			!strings.Contains(m, ".Tabulate") && !strings.Contains(m, ".Search") && !strings.Contains(m, ".LookUp") &&
			!strings.Contains(m, ".Export") && !strings.Contains(m, ".Watch") &&
			!strings.Contains(m, ".Rank") && !strings.Contains(m, ".Cross") && !strings.Contains(m, ".Find") && m != "ComputeService.Compute"
		own := m == "PrincipalService.SetPin" || m == "PrincipalService.EndSession" || strings.HasPrefix(m, "SignInService.") && m != "SignInService.MakeSignInCode" && m != "SignInService.LinkOpenID" // the room narrows them to the own ones
		if writes && !own {
			require.Equal(t, codes.PermissionDenied, status.Code(policy.Allow(who(pb.Role_ROLE_AUDITOR), m)),
				"an auditor changes nothing, but may call %s", m)
		}
	}
	require.NoError(t, policy.Allow(who(pb.Role_ROLE_WORKER), "ReportService.FileReport"))
	require.Error(t, policy.Allow(who(pb.Role_ROLE_ADMINISTRATOR), "ReportService.GetReport"), "an administrator sees no health facts")
	require.Error(t, policy.Allow(who(pb.Role_ROLE_COMMITTEE), "SearchService.SearchReports"))
}

// chain is a tree by prefix: a/b is below a.
type chain struct{}

func (chain) Within(w, a string) bool { return w == a || strings.HasPrefix(w, a+"/") }

func TestNarrow(t *testing.T) {
	t.Parallel()
	all := Principal{Name: "p"}
	north := Principal{Name: "p", Workplaces: []string{"shire/north"}}
	for name, c := range map[string]struct {
		who   Principal
		asked []string
		want  []string
		deny  bool
	}{
		"no bounds":            {all, []string{"shire/south"}, []string{"shire/south"}, false},
		"no bounds, all":       {all, nil, nil, false},
		"bounded, all":         {north, nil, []string{"shire/north"}, false},
		"bounded, inside":      {north, []string{"shire/north/trees"}, []string{"shire/north/trees"}, false},
		"bounded, above":       {north, []string{"shire"}, []string{"shire/north"}, false},
		"bounded, outside":     {north, []string{"shire/south"}, nil, true},
		"bounded, in and out":  {north, []string{"shire/north", "shire/south"}, nil, true},
		"bounded, twice":       {north, []string{"shire", "shire/north"}, []string{"shire/north"}, false},
		"bounded, like-named":  {north, []string{"shire/northern"}, nil, true},
		"bounded, nonexistent": {north, []string{"nowhere"}, nil, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := Narrow(c.who, chain{}, c.asked)
			if c.deny {
				require.Equal(t, codes.PermissionDenied, status.Code(err))
				return
			}
			require.NoError(t, err)
			require.Equal(t, c.want, got)
		})
	}
	require.True(t, Sees(north, chain{}, "shire/north/trees"))
	require.False(t, Sees(north, chain{}, "shire"))
}

// TestNeedsCodes: a filter asks about codes by a code, or by a cell of a table of
// codes, at any place of it.
func TestNeedsCodes(t *testing.T) {
	t.Parallel()
	cell := func(d ...pb.Dimension) *pb.ReportFilter {
		c := &pb.CellMatch{}
		for _, d := range d {
			c.Sides = append(c.Sides, &pb.CellSide{Dimension: d})
		}
		return &pb.ReportFilter{Cells: []*pb.CellMatch{{}, c}}
	}
	require.False(t, NeedsCodes(nil))
	require.True(t, NeedsCodes(&pb.ReportFilter{Codes: []*pb.CodeMatch{{Facet: pb.Facet_FACET_AGENCY}}}))
	for n, name := range pb.Dimension_name {
		_, coded := pb.Facet_value["FACET_"+strings.TrimPrefix(name, "DIMENSION_")]
		require.Equal(t, coded && n != 0, NeedsCodes(cell(pb.Dimension_DIMENSION_KIND, pb.Dimension(n))), name)
	}
}

func TestRedact(t *testing.T) {
	t.Parallel()
	r := &pb.Report{Narrative: "n", Harms: []*pb.Harm{{HarmId: "h1", Person: "people/x", Description: "cut hand",
		Treatment: pb.Treatment_TREATMENT_MEDICAL, Outcome: pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME,
		Absences: []*pb.Absence{{FirstDate: "2026-03-02"}}}}}
	rep := Redact(r, ViewOf(Principal{Name: "p", Roles: []pb.Role{pb.Role_ROLE_REPRESENTATIVE}}))
	require.Empty(t, rep.Harms[0].Description)
	require.Empty(t, rep.Harms[0].Absences)
	require.Empty(t, rep.Harms[0].Person)
	require.Equal(t, pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME, rep.Harms[0].Outcome)
	aud := Redact(r, ViewOf(Principal{Name: "p", Roles: []pb.Role{pb.Role_ROLE_AUDITOR}}))
	require.Empty(t, aud.Harms[0].Person)
	require.Equal(t, "cut hand", aud.Harms[0].Description)
	require.Equal(t, "people/x", r.Harms[0].Person, "the stored report is not touched")
	adv := Redact(r, ViewOf(Principal{Name: "p", Roles: []pb.Role{pb.Role_ROLE_ADVISER}}))
	require.Equal(t, "people/x", adv.Harms[0].Person)
}
