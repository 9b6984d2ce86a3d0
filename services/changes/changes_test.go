package changes

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// TestTheLogDoesNotSayWhoTold: whoever may see actors sees who filed in the
// open, and not who told in confidence.
func TestTheLogDoesNotSayWhoTold(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 3, 4, 13, 37, 0, 0, time.UTC)
	filed := func(m pb.TellerMode) ledger.Change {
		body, err := record.Body(&pb.Report{TellerMode: m})
		require.NoError(t, err)
		return ledger.Change{Seq: 1, Revision: 1, Time: at, Actor: "principals/ada", Verb: record.VerbFile, Kind: record.KindReport, Body: body}
	}
	all := access.View{Actors: true}
	require.Equal(t, "principals/ada", show(filed(pb.TellerMode_TELLER_MODE_NAMED), all).GetActor())
	require.Empty(t, show(filed(pb.TellerMode_TELLER_MODE_CONFIDENTIAL), all).GetActor())
	require.Empty(t, show(filed(pb.TellerMode_TELLER_MODE_UNSPECIFIED), all).GetActor())
	require.Empty(t, show(ledger.Change{Verb: record.VerbFile, Kind: record.KindTeller, Actor: "principals/ada"}, all).GetActor())
	require.Empty(t, show(ledger.Change{Verb: record.VerbFile, Kind: record.KindReport, Actor: "principals/ada", Body: []byte{0xff}}, all).GetActor(), "when in doubt, nothing")
	require.Empty(t, show(filed(pb.TellerMode_TELLER_MODE_NAMED), access.View{}).GetActor())

	anonymous := filed(pb.TellerMode_TELLER_MODE_ANONYMOUS)
	anonymous.Actor = access.Anonymous
	got := show(anonymous, all)
	require.Empty(t, got.GetActor())
	require.Equal(t, "2026-03-04T00:00:00Z", got.GetChangeTime().AsTime().Format(time.RFC3339), "only the day")
	coded := ledger.Change{Verb: record.VerbCode, Kind: record.KindCoding, Actor: "principals/ada", Time: at}
	require.Equal(t, "principals/ada", show(coded, all).GetActor())
}
