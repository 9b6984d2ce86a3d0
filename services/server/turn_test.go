package server_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// TestSealed_turn files what was told in somebody's turn as that somebody while
// the turn lasts, and as the tablet after it: once, whichever came first.
func TestSealed_turn(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	device, turn := w.turn()
	client := pb.NewSealedServiceClient(w.Conn())
	one := func(mode pb.TellerMode, secret string) *pb.FileSealedRequest {
		f := filing(w)
		f.Report.TellerMode, f.Report.Harms, f.Teller = mode, nil, nil
		f.Report.Name = "reports/" + w.id()
		if mode != pb.TellerMode_TELLER_MODE_ANONYMOUS {
			f.Teller = &pb.Teller{DisplayName: "Fern Placeholder"}
		}
		return w.seal(&pb.SealedContent{File: f, Turn: secret}, nil)
	}
	by := func(report string) string {
		t.Helper()
		resp, err := pb.NewChangeServiceClient(w.Conn()).ListChanges(w.As("adviser"), &pb.ListChangesRequest{PageSize: 1000})
		require.NoError(t, err)
		for _, c := range resp.GetChanges() {
			if c.GetResource() == report {
				return c.GetActor()
			}
		}
		require.Fail(t, "no change of it: "+report)
		return ""
	}

	named := one(pb.TellerMode_TELLER_MODE_NAMED, turn)
	first, err := client.FileSealed(device, named)
	require.NoError(t, err)
	require.Equal(t, "principals/fern", by(first.GetName()))
	nobody, err := client.FileSealed(device, one(pb.TellerMode_TELLER_MODE_ANONYMOUS, turn))
	require.NoError(t, err)
	require.Empty(t, by(nobody.GetName()))
	few, err := client.FileSealed(device, one(pb.TellerMode_TELLER_MODE_CONFIDENTIAL, turn))
	require.NoError(t, err)
	found := false
	resp, err := pb.NewChangeServiceClient(w.Conn()).ListChanges(w.As("adviser"), &pb.ListChangesRequest{PageSize: 1000})
	require.NoError(t, err)
	for _, c := range resp.GetChanges() {
		found = found || c.GetResource() == few.GetName()
		require.False(t, c.GetResource() == few.GetName() && c.GetActor() == "principals/fern", "a name told in confidence is not in the log")
	}
	require.True(t, found)
	// A token that is none, or would break a header, costs no report.
	for _, secret := range []string{"fl_nothing", "x\r\ny", ""} {
		odd, err := client.FileSealed(device, one(pb.TellerMode_TELLER_MODE_NAMED, secret))
		require.NoError(t, err)
		require.Contains(t, by(odd.GetName()), "devices/")
	}

	w.clock.Set(now.Add(16 * time.Minute))
	head := w.Head()
	again, err := client.FileSealed(device, named)
	require.NoError(t, err, "the answer was lost, and the turn is over")
	require.Equal(t, first.GetName(), again.GetName())
	require.Equal(t, first.GetShortCode(), again.GetShortCode())
	require.Equal(t, head, w.Head(), "a replay writes nothing")
	late, err := client.FileSealed(device, one(pb.TellerMode_TELLER_MODE_NAMED, turn))
	require.NoError(t, err)
	require.Contains(t, by(late.GetName()), "devices/")
	require.Contains(t, late.GetNotes()[len(late.GetNotes())-1], "the turn was over")
	require.Equal(t, []pb.Mending{pb.Mending_MENDING_TURN_OVER}, late.GetMendings())
	require.False(t, proto.Equal(first, late))
}

// turn enrols a tablet, and begins somebody's turn on it.
func (w *world) turn() (device context.Context, secret string) {
	w.t.Helper()
	who := pb.NewPrincipalServiceClient(w.Conn())
	_, err := who.CreatePrincipal(w.As("administrator"), &pb.CreatePrincipalRequest{Principal: &pb.Principal{Name: "principals/fern", DisplayName: "Fern Placeholder",
		SignInName: "fern", OfferedOnTablets: true, Grants: []*pb.Grant{{Role: pb.Role_ROLE_WORKER}}}})
	require.NoError(w.t, err)
	_, err = who.SetPin(w.As("administrator"), &pb.SetPinRequest{Name: "principals/fern", Pin: "4071"})
	require.NoError(w.t, err)
	devices := pb.NewDeviceServiceClient(w.Conn())
	made, err := devices.CreateDevice(w.As("administrator"), &pb.CreateDeviceRequest{Device: &pb.Device{DisplayName: "tablet 3", Workplace: "workplaces/northside"}})
	require.NoError(w.t, err)
	in, err := devices.EnrolDevice(w.t.Context(), &pb.EnrolDeviceRequest{Code: made.GetCode()})
	require.NoError(w.t, err)
	device = metadata.AppendToOutgoingContext(w.t.Context(), "authorization", "Bearer "+in.GetSecret())
	begun, err := devices.BeginTurn(device, &pb.BeginTurnRequest{Principal: "principals/fern", Pin: "4071"})
	require.NoError(w.t, err)
	return device, begun.GetSecret()
}
