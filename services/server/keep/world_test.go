package keep

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/blob"
	"fairlead/services/blob/files"
	"fairlead/services/checkpoint"
	"fairlead/services/classify"
	"fairlead/services/classify/toocs"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/record"
	"fairlead/services/server"
)

// house is a data folder as a server leaves one, with a real ledger, photos and
// a key.
type house struct {
	t     *testing.T
	dir   string
	l     backed
	store blob.Store
	n     int
}

// backed is a ledger that can be copied while it is in use.
type backed interface {
	ledger.Ledger
	Source
}

func newHouse(t *testing.T) *house {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "data")
	l, err := sqlite.Open(t.Context(), dir, sqlite.Options{})
	require.NoError(t, err)
	store, err := files.Open(filepath.Join(dir, server.FilesFolder), nil)
	require.NoError(t, err)
	return furnish(t, dir, l, store)
}

// furnish makes a house around a ledger and a store of bytes.
func furnish(t *testing.T, dir string, l backed, store blob.Store) *house {
	t.Helper()
	h := &house{t: t, dir: dir, l: l, store: store}
	t.Cleanup(func() { _ = h.l.Close() }) // some tests close it themselves
	_, err := checkpoint.Open(h.dir)
	require.NoError(t, err)
	h.file(accessFile, "# nobody\n")
	require.NoError(t, os.Mkdir(filepath.Join(h.dir, sealingFolder), 0o700))
	h.file(sealingFolder+"/0001-0123456789abcdef.pem", "a key of tablets\n")
	h.put(&pb.Workplace{Name: "workplaces/shire", Title: "Shire", TimeZone: "Australia/Sydney"}, "workplaces/shire", record.KindWorkplace, record.VerbCreate)
	return h
}

func (h *house) file(path, text string) {
	h.t.Helper()
	require.NoError(h.t, os.WriteFile(filepath.Join(h.dir, path), []byte(text), 0o600))
}

func (h *house) put(m proto.Message, name, kind, verb string) {
	h.t.Helper()
	p, err := record.Put(m, name, kind, verb, ledger.Any)
	require.NoError(h.t, err)
	h.n++
	_, err = h.l.Write(context.Background(), ledger.Request{Actor: "principals/ada", ID: fmt.Sprint("r", h.n)}, func(ctx context.Context, tx ledger.Tx) error {
		_, err := tx.Put(ctx, p)
		return err
	})
	require.NoError(h.t, err)
}

func reportName(n int) string { return fmt.Sprintf("reports/%08d-0000-7000-8000-000000000000", n) }

func (h *house) report(n int, narrative string) {
	h.put(&pb.Report{Name: reportName(n), Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/shire", Narrative: narrative,
		ReceiveTime: timestamppb.New(time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)), Harms: []*pb.Harm{{HarmId: "h1"}}}, reportName(n), record.KindReport, record.VerbFile)
}

// photo stores bytes and enters them.
func (h *house) photo(n int, text string) blob.Ref {
	h.t.Helper()
	ref, err := h.store.Put(context.Background(), strings.NewReader(text))
	require.NoError(h.t, err)
	h.put(&pb.Attachment{Name: photoName(n), Sha256: ref.SHA256, SizeBytes: ref.Size}, photoName(n), record.KindAttachment, record.VerbAttach)
	return ref
}

func photoName(n int) string {
	return reportName(n) + "/attachments/00000000-0000-7000-8000-000000000001"
}

func (h *house) person(id, name string) {
	h.put(&pb.Person{Name: "people/" + id, DisplayName: name}, "people/"+id, record.KindPerson, record.VerbUpdate)
}

// forget erases a person as the retention room does.
func (h *house) forget(id string) {
	h.t.Helper()
	p, err := record.Put(&pb.Person{Name: "people/" + id, DisplayName: "erased"}, "people/"+id, record.KindPerson, record.VerbErase, ledger.Any)
	require.NoError(h.t, err)
	_, err = h.l.Write(context.Background(), ledger.Request{Actor: "principals/ada"}, func(ctx context.Context, tx ledger.Tx) error {
		if err := tx.Erase(ctx, "people/"+id); err != nil {
			return err
		}
		_, err := tx.Put(ctx, p)
		return err
	})
	require.NoError(h.t, err)
}

func (h *house) backup(dest string) Made {
	h.t.Helper()
	made, err := Backup(h.t.Context(), h.l, BackupPlan{Data: h.dir, Dest: dest})
	require.NoError(h.t, err)
	return made
}

func codes() *classify.Tables { return classify.NewTables(toocs.Default()) }

// checked checks a data folder and wants no problems unless told.
func checked(t *testing.T, dir string) *Checked {
	t.Helper()
	l, err := sqlite.OpenReadOnly(t.Context(), dir, sqlite.Options{})
	require.NoError(t, err)
	defer l.Close()
	out, err := Check(t.Context(), l, CheckPlan{Data: dir, Codes: codes()})
	require.NoError(t, err)
	return out
}

// flip changes one byte of a file.
func flip(t *testing.T, path string, at int) {
	t.Helper()
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	b[at%len(b)] ^= 1
	require.NoError(t, os.WriteFile(path, b, 0o600))
}

// nowhere wants some text in no file of a folder.
func nowhere(t *testing.T, dir, text string) {
	t.Helper()
	require.NoError(t, filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		require.NotContains(t, string(b), text, path)
		return err
	}))
}

// c0 is some moment.
var c0 = time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
