package words_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/reflect/protoreflect"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

func TestParse(t *testing.T) {
	t.Parallel()
	for _, word := range []string{"near-miss", "near miss", "Near Miss", "NEAR_MISS", "nearmiss", " near-miss ", "REPORT_KIND_NEAR_MISS"} {
		got, err := words.Parse[pb.ReportKind](word)
		require.NoError(t, err, word)
		require.Equal(t, pb.ReportKind_REPORT_KIND_NEAR_MISS, got, word)
	}
	for word, want := range map[string]pb.Convention{
		"as1885": pb.Convention_CONVENTION_AS_1885_1, "as-1885-1": pb.Convention_CONVENTION_AS_1885_1,
		"us": pb.Convention_CONVENTION_US, "wa-mining": pb.Convention_CONVENTION_WA_MINING,
		"ansi-z16": pb.Convention_CONVENTION_ANSI_Z16, "ILO": pb.Convention_CONVENTION_ILO,
	} {
		got, err := words.Parse[pb.Convention](word)
		require.NoError(t, err, word)
		require.Equal(t, want, got, word)
	}
	for _, word := range []string{"", "unspecified", "near", "hazzard", "0", "--"} {
		_, err := words.Parse[pb.ReportKind](word)
		var unknown *words.UnknownError
		require.ErrorAs(t, err, &unknown, word)
		require.Contains(t, err.Error(), "near-miss, injury-or-illness", "the cure lists the words")
	}
}

// Every value of every enum that people type goes out and comes back.
func TestRoundTrip(t *testing.T) {
	t.Parallel()
	for _, d := range []protoreflect.EnumDescriptor{
		pb.ReportKind(0).Descriptor(), pb.TellerMode(0).Descriptor(), pb.TellerRole(0).Descriptor(),
		pb.TimePrecision(0).Descriptor(), pb.PotentialSeverity(0).Descriptor(), pb.WaterReached(0).Descriptor(),
		pb.OutcomeClass(0).Descriptor(), pb.Treatment(0).Descriptor(), pb.AgeBand(0).Descriptor(),
		pb.EmploymentGroup(0).Descriptor(), pb.WorkplaceLevel(0).Descriptor(), pb.Facet(0).Descriptor(),
		pb.Dimension(0).Descriptor(), pb.Convention(0).Descriptor(), pb.HoursStatus(0).Descriptor(),
		pb.FileFormat(0).Descriptor(), pb.AnswerState(0).Descriptor(), pb.CodingOrigin(0).Descriptor(),
	} {
		for i := range d.Values().Len() {
			v := d.Values().Get(i)
			got, err := words.ParseNumber(d, string(v.Name()))
			if v.Number() == 0 {
				require.Error(t, err, v.Name())
				continue
			}
			require.NoError(t, err)
			require.Equal(t, v.Number(), got)
		}
	}
	require.Equal(t, "near-miss", words.Slug(pb.ReportKind_REPORT_KIND_NEAR_MISS))
	require.Equal(t, "near miss", words.Of(pb.ReportKind_REPORT_KIND_NEAR_MISS))
	require.Equal(t, "not given", words.Of(pb.ReportKind_REPORT_KIND_UNSPECIFIED))
	require.Empty(t, words.Slug(pb.ReportKind(99)))
	require.Contains(t, words.Of(pb.ReportKind(99)), "99", "a newer server's value is not hidden")
}

func TestNames(t *testing.T) {
	t.Parallel()
	require.Equal(t, "workplaces/northside", words.Workplace("northside"))
	require.Equal(t, "workplaces/northside", words.Workplace("workplaces/northside"))
	require.Empty(t, words.Workplace(" "))
	require.Equal(t, "reports/7KQ-2MX-4", words.Report(" 7KQ-2MX-4"))
	require.Equal(t, "northside", words.Short("workplaces/northside"))
	require.Equal(t, "northside", words.Short("northside"))
}
