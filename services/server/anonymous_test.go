package server_test

import (
	"context"
	"database/sql"
	"encoding/binary"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/types/known/timestamppb"
	_ "modernc.org/sqlite"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// TestAnonymousLeavesNothing files without a name from an enrolled tablet, adds a
// photo, and comes back by the receipt. Then it reads all that the house keeps,
// the database row by row, every file, the log of the server, and looks for the
// tablet, the ids that the tablet minted, and every second in which it acted.
//
// What remains, and no test can take away: the order of the log. Whoever can read
// the whole of it sees between which two other changes the report came; those
// carry times. On a quiet day that narrows it to minutes. The log of the server
// has lines with times and methods, without names: it is kept apart and short.
func TestAnonymousLeavesNothing(t *testing.T) {
	t.Parallel()
	var log locked
	data := t.TempDir()
	w := newWorld(t, servertest.Options{Data: data, Reads: true, Log: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	devices := pb.NewDeviceServiceClient(w.Conn())
	made, err := devices.CreateDevice(w.As("administrator"), &pb.CreateDeviceRequest{Device: &pb.Device{DisplayName: "tablet 3", Workplace: "workplaces/northside"}})
	require.NoError(t, err)
	in, err := devices.EnrolDevice(t.Context(), &pb.EnrolDeviceRequest{Code: made.GetCode()})
	require.NoError(t, err)
	tablet := metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+in.GetSecret())
	w.Ready(w.Head())
	device := made.GetDevice().GetName()

	// Nothing else happens in these seconds.
	var seconds []time.Time
	at := func(d time.Duration) {
		moment := now.Add(d)
		w.clock.Set(moment)
		seconds = append(seconds, moment)
	}
	reports := pb.NewReportServiceClient(w.Conn())
	at(2*time.Hour + 17*time.Minute + 23*time.Second)
	requestID, photoID, attachmentID, finished := uuid.Must(uuid.NewV7()).String(), uuid.Must(uuid.NewV7()).String(), uuid.NewString(), now.Add(2*time.Hour+16*time.Minute+47*time.Second)
	seconds = append(seconds, finished)
	filed, err := reports.FileReport(tablet, &pb.FileReportRequest{RequestId: requestID, Report: &pb.Report{
		Name: "reports/" + uuid.NewString(), Kind: pb.ReportKind_REPORT_KIND_NEAR_MISS, Workplace: "workplaces/northside", Narrative: "The hoist slipped a notch.",
		TellerMode: pb.TellerMode_TELLER_MODE_ANONYMOUS, TellerRole: pb.TellerRole_TELLER_ROLE_CONTRACTOR, MadeTime: timestamppb.New(finished)}})
	require.NoError(t, err)
	r := filed.GetReport()
	at(2*time.Hour + 19*time.Minute + 41*time.Second)
	stream, err := pb.NewAttachmentServiceClient(w.Conn()).AddAttachment(tablet)
	require.NoError(t, err)
	require.NoError(t, stream.Send(&pb.AddAttachmentRequest{Chunk: onePixel, Header: &pb.AttachmentHeader{Report: r.GetName(), AttachmentId: attachmentID, RequestId: photoID}}))
	_, err = stream.CloseAndRecv()
	require.NoError(t, err, reasons(err))
	at(3*time.Hour + 7*time.Minute + 13*time.Second)
	q, err := pb.NewMessageServiceClient(w.Conn()).AskTeller(w.As("adviser"), &pb.AskTellerRequest{Report: r.GetName(), Text: "Which hoist?"})
	require.NoError(t, err)
	seconds = seconds[:len(seconds)-1] // the adviser's own second may be kept
	receipt := pb.NewReceiptServiceClient(w.Conn())
	at(4*time.Hour + 29*time.Minute + 37*time.Second)
	answerID := uuid.Must(uuid.NewV7()).String()
	_, err = receipt.AddMessage(tablet, &pb.AddMessageRequest{Code: filed.GetReceiptCode(), Text: "The new one.", Answers: q.GetName(), RequestId: answerID})
	require.NoError(t, err)
	at(4*time.Hour + 31*time.Minute + 53*time.Second)
	_, err = receipt.Acknowledge(tablet, &pb.AcknowledgeRequest{Code: filed.GetReceiptCode(), Message: q.GetName()})
	require.NoError(t, err)
	_, err = receipt.GetProgress(tablet, &pb.GetProgressRequest{Code: filed.GetReceiptCode()})
	require.NoError(t, err)
	w.Ready(w.Head())

	// By the doors: history and log name no one, and tell the day.
	h, err := reports.ListReportHistory(w.As("adviser"), &pb.ListReportHistoryRequest{Name: r.GetName()})
	require.NoError(t, err)
	require.Len(t, h.GetEntries(), 5)
	for _, e := range h.GetEntries() {
		if e.GetVerb() != "ask" {
			require.NotContains(t, e.String(), device)
			require.Empty(t, e.GetActor(), e.GetVerb())
			require.Equal(t, "13:00:00", e.GetChangeTime().AsTime().Format(time.TimeOnly), e.GetVerb())
		}
	}
	w.Stop()

	secrets := []string{requestID, photoID, answerID, in.GetSecret(), filed.GetReceiptCode(), strings.ReplaceAll(filed.GetReceiptCode(), "-", "")}
	db, err := sql.Open("sqlite", "file:"+ledgerFile(t, data)+"?mode=ro")
	require.NoError(t, err)
	defer db.Close()
	// The changes of the report, and those only, must not hold the tablet.
	rows(t, db, func(table string, row map[string]any) {
		text := fmt.Sprint(row)
		for _, s := range secrets {
			require.NotContains(t, text, s, table)
		}
		if strings.Contains(text, r.GetName()) {
			require.NotContains(t, text, device, table)
			require.NotContains(t, text, strings.TrimPrefix(device, "devices/"), table)
		}
		for column, v := range row {
			for _, s := range seconds {
				switch v := v.(type) {
				case int64:
					require.False(t, v >= s.UnixMicro() && v < s.UnixMicro()+1e6 || v == s.Unix(), "%s.%s holds the second %s", table, column, s)
				case []byte:
					require.NotContains(t, string(v), string(binary.AppendUvarint(nil, uint64(s.Unix()))), "%s.%s holds the second %s", table, column, s)
					require.NotContains(t, string(v), s.UTC().Format("2006-01-02T15:04:05"), "%s.%s", table, column)
				case string:
					require.NotContains(t, v, s.UTC().Format("2006-01-02T15:04:05"), "%s.%s", table, column)
				}
			}
		}
	})
	everyFile(t, w, func(path string, b []byte) {
		for _, s := range secrets {
			require.NotContains(t, string(b), s, path)
		}
		info, err := os.Stat(path)
		require.NoError(t, err)
		for _, s := range seconds {
			require.NotEqual(t, s.Unix(), info.ModTime().Unix(), "%s tells the second in which it was made", path)
		}
	})
	log.mu.Lock()
	defer log.mu.Unlock()
	lines := log.b.String()
	for _, s := range append(secrets, device, strings.TrimPrefix(device, "devices/"), r.GetName(), r.GetShortCode(), attachmentID) {
		require.NotContains(t, lines, s, "the log of the server")
	}
}

// ledgerFile is the database of a house.
func ledgerFile(t *testing.T, data string) string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(data, "*.db"))
	require.NoError(t, err)
	if len(found) == 0 {
		found, err = filepath.Glob(filepath.Join(data, "*", "*.db"))
		require.NoError(t, err)
	}
	require.NotEmpty(t, found)
	return found[0]
}

// rows visits every row of every table.
func rows(t *testing.T, db *sql.DB, visit func(table string, row map[string]any)) {
	t.Helper()
	list, err := db.QueryContext(context.Background(), "SELECT name FROM sqlite_master WHERE type = 'table'")
	require.NoError(t, err)
	var tables []string
	for list.Next() {
		var name string
		require.NoError(t, list.Scan(&name))
		tables = append(tables, name)
	}
	require.NoError(t, list.Close())
	n := 0
	for _, table := range tables {
		all, err := db.QueryContext(context.Background(), `SELECT * FROM "`+table+`"`)
		require.NoError(t, err)
		columns, err := all.Columns()
		require.NoError(t, err)
		for all.Next() {
			values := make([]any, len(columns))
			to := make([]any, len(columns))
			for i := range values {
				to[i] = &values[i]
			}
			require.NoError(t, all.Scan(to...))
			row := map[string]any{}
			for i, c := range columns {
				row[c] = values[i]
			}
			visit(table, row)
			n++
		}
		require.NoError(t, all.Close())
	}
	require.Greater(t, n, 20)
}
