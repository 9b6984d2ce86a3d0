package access

import (
	"testing"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// TestGrantsDoNotAddUp: whoever supervises one place and sits on the committee
// for all of them reads the reports of the one and the figures of all.
func TestGrantsDoNotAddUp(t *testing.T) {
	t.Parallel()
	policy := NewPolicy()
	who := Granted("principals/x", "X", []Grant{
		{Role: supervisor, Workplaces: []string{"shire/north"}},
		{Role: committee},
	})
	require.Empty(t, who.Workplaces, "some role holds everywhere")
	reads, err := policy.Admit(who, "ReportService.GetReport")
	require.NoError(t, err)
	require.True(t, Sees(reads, chain{}, "shire/north/trees"))
	require.False(t, Sees(reads, chain{}, "shire/south"), "the committee's reach is not the supervisor's")
	counts, err := policy.Admit(who, "MeasureService.ComputeRates")
	require.NoError(t, err)
	require.True(t, Sees(counts, chain{}, "shire/south"))
	_, err = policy.Admit(who, "ReportService.VoidReport")
	require.Error(t, err)
}

// TestViewIsOfThePlace: an auditor of everything who supervises one place reads
// names there and nowhere else.
func TestViewIsOfThePlace(t *testing.T) {
	t.Parallel()
	who := Granted("principals/x", "X", []Grant{{Role: supervisor, Workplaces: []string{"shire/north"}}, {Role: auditor}})
	require.Equal(t, View{Health: true}, ViewOf(who), "of all reports together only what both roles may read")
	north := ViewOf(who.At(chain{}, "shire/north/trees", ""))
	require.True(t, north.People && north.NamedTellers && north.Codes)
	south := ViewOf(who.At(chain{}, "shire/south", ""))
	require.False(t, south.People || south.NamedTellers || south.Actors)
	require.True(t, south.Health && south.Codes)
	even := Granted("principals/x", "X", []Grant{{Role: supervisor}, {Role: auditor}})
	require.True(t, ViewOf(even).People && ViewOf(even).Codes, "with one reach the roles add up")
}

// TestInvestigatorReachesOnlyTheCase: an empty list of workplaces is nowhere.
func TestInvestigatorReachesOnlyTheCase(t *testing.T) {
	t.Parallel()
	who := Granted("principals/x", "X", []Grant{{Role: investigator, Reports: []string{"reports/1"}}})
	require.False(t, Sees(who, chain{}, "shire/north"))
	require.True(t, SeesReport(who, chain{}, "shire/north", "reports/1"))
	require.False(t, SeesReport(who, chain{}, "shire/north", "reports/2"))
	got, err := Narrow(who, chain{}, nil)
	require.NoError(t, err)
	require.Equal(t, []string{nowhere}, got, "a list of nowhere, never of everywhere")
	_, err = Narrow(who, chain{}, []string{"shire/north"})
	require.Error(t, err)
	require.True(t, ViewOf(who.At(chain{}, "shire/north", "reports/1")).Health)
	require.Equal(t, View{}, ViewOf(who.At(chain{}, "shire/north", "reports/2")))
	require.False(t, ViewOf(who).ConfidentialTellers)
	require.Equal(t, []pb.Role{investigator}, who.Roles)
}
