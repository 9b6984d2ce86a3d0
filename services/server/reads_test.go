package server_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// TestReads: who read health facts, lists of them, a photo, and a name is there
// for the adviser and the auditor, across a restart; who read nothing sensitive
// is not.
func TestReads(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	w := newWorld(t, servertest.Options{Data: data, Reads: true})
	reports, house := pb.NewReportServiceClient(w.Conn()), pb.NewReadServiceClient(w.Conn())
	r := w.report("read")
	readings := func(s *servertest.Server, role, report string) map[string]int {
		l, err := pb.NewReadServiceClient(s.Conn()).ListReads(s.As(role), &pb.ListReadsRequest{Report: report})
		require.NoError(t, err)
		out := map[string]int{}
		for _, one := range l.GetReadings() {
			require.NotEmpty(t, one.GetMethod())
			require.NotNil(t, one.GetReadTime())
			out[one.GetPrincipal()+" "+one.GetClass().String()]++
		}
		return out
	}
	for range 3 { // three looks within a quarter of an hour are one
		_, err := reports.GetReport(w.As("supervisor"), &pb.GetReportRequest{Name: r.GetName()})
		require.NoError(t, err)
	}
	_, err := reports.GetReport(w.As("representative"), &pb.GetReportRequest{Name: r.GetName()})
	require.NoError(t, err)
	require.Equal(t, map[string]int{"principals/supervisor READ_CLASS_HEALTH": 1}, readings(w.Server, "auditor", r.GetName()),
		"a representative was shown no health facts")
	w.clock.Set(now.Add(20 * time.Minute))
	_, err = reports.GetReport(w.As("supervisor"), &pb.GetReportRequest{Name: r.GetName()})
	require.NoError(t, err)
	require.Equal(t, 2, readings(w.Server, "adviser", r.GetName())["principals/supervisor READ_CLASS_HEALTH"])

	_, err = reports.ListReports(w.As("supervisor"), &pb.ListReportsRequest{})
	require.NoError(t, err)
	l, err := house.ListReads(w.As("adviser"), &pb.ListReadsRequest{})
	require.NoError(t, err)
	require.Len(t, l.GetReadings(), 1)
	require.Positive(t, l.GetReadings()[0].GetCount())
	require.Empty(t, l.GetReadings()[0].GetReport(), "a list is a count, not a list of names")

	told, _ := told(t, w, pb.TellerMode_TELLER_MODE_CONFIDENTIAL)
	_, err = reports.GetTeller(w.As("adviser"), &pb.GetTellerRequest{Name: told.GetName() + "/teller", Reason: "to arrange a lift home"})
	require.NoError(t, err)
	l, err = house.ListReads(w.As("auditor"), &pb.ListReadsRequest{Report: told.GetName()})
	require.NoError(t, err)
	require.Len(t, l.GetReadings(), 1)
	require.Equal(t, "to arrange a lift home", l.GetReadings()[0].GetReason())

	photo := w.attached()
	stream, err := pb.NewAttachmentServiceClient(w.Conn()).ReadAttachment(w.As("supervisor"), &pb.ReadAttachmentRequest{Name: photo.GetName(), Variant: pb.AttachmentVariant_ATTACHMENT_VARIANT_SMALL})
	require.NoError(t, err)
	_, err = stream.Recv()
	require.NoError(t, err)

	// What nobody asked for is written down too, at the latest when the server stops.
	other := w.report("read last")
	_, err = reports.GetReport(w.As("auditor"), &pb.GetReportRequest{Name: other.GetName()})
	require.NoError(t, err)
	w.Stop()
	again := servertest.Start(t, servertest.Options{Data: data, Reads: true, Clock: w.clock.Now})
	require.Equal(t, 1, readings(again, "adviser", other.GetName())["principals/auditor READ_CLASS_HEALTH"])
	report := photo.GetName()[:len("reports/")+36]
	require.Equal(t, 1, readings(again, "adviser", report)["principals/supervisor READ_CLASS_FILES"])
}
