package keep

import (
	"bytes"
	"context"
	"database/sql"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/record"
)

// TestErasuresOutliveBackups erases a person after a backup was made, and
// restores that backup three ways: with the list, with a newer backup as the
// list, and from the newer backup at the older moment.
func TestErasuresOutliveBackups(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	out := t.TempDir()
	h.person("ada", "Ada Quoll")
	h.person("bob", "Bob Wombat")
	h.report(1, "loose gravel, seen by Ada Quoll")
	ref := h.photo(2, "a photo of Ada Quoll")
	old := h.backup(filepath.Join(out, "old"))
	h.person("ada", "Ada Quoll-Bilby")
	h.forget("ada")
	// As the retention room rewrites a report: what remains of the earlier
	// version lies beside it.
	remains, err := record.Body(&pb.Report{Name: reportName(1), Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/shire"})
	require.NoError(t, err)
	kept, err := record.Put(&pb.KeptVersions{Versions: []*pb.KeptVersion{
		{SequenceNumber: old.Head.Seq, Body: remains}, {SequenceNumber: old.Head.Seq + 9, Body: remains}}},
		reportName(1)+"/kept", record.KindKept, record.VerbErase, ledger.Any)
	require.NoError(t, err)
	left, err := record.Put(&pb.Report{Name: reportName(1), Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/shire", Narrative: "loose gravel, seen by somebody"},
		reportName(1), record.KindReport, record.VerbErase, ledger.Any)
	require.NoError(t, err)
	_, err = h.l.Write(t.Context(), ledger.Request{Actor: "principals/ada"}, func(ctx context.Context, tx ledger.Tx) error {
		if err := tx.Erase(ctx, reportName(1)); err != nil {
			return err
		}
		if _, err := tx.Put(ctx, left); err != nil {
			return err
		}
		_, err := tx.Put(ctx, kept)
		return err
	})
	require.NoError(t, err)
	gone, err := record.Put(&pb.Attachment{Name: photoName(2), RemoveTime: timestamppb.New(c0)}, photoName(2), record.KindAttachment, record.VerbErase, ledger.Any)
	require.NoError(t, err)
	_, err = h.l.Write(t.Context(), ledger.Request{Actor: "principals/ada"}, func(ctx context.Context, tx ledger.Tx) error {
		if err := tx.Erase(ctx, photoName(2)); err != nil {
			return err
		}
		_, err := tx.Put(ctx, gone)
		return err
	})
	require.NoError(t, err)
	require.NoError(t, h.store.Remove(t.Context(), ref.SHA256))
	h.backup(filepath.Join(out, "new"))
	h.backup(filepath.Join(out, "new.tar"))
	require.Empty(t, checked(t, h.dir).Findings, "an erasure that the log speaks of is no deletion")

	list, err := Erasures(t.Context(), h.l)
	require.NoError(t, err)
	var names []string
	for _, e := range list {
		names = append(names, e.Name)
	}
	require.Equal(t, []string{"people/ada", reportName(1), reportName(1) + "/kept", photoName(2)}, names)
	var text bytes.Buffer
	require.NoError(t, WriteErasures(&text, list))
	require.NotContains(t, text.String(), "Quoll")
	file := filepath.Join(out, "list.jsonl")
	require.NoError(t, os.WriteFile(file, text.Bytes(), 0o600))

	for what, plan := range map[string]struct {
		RestorePlan
		erasures string
	}{
		"with a list":         {RestorePlan{Source: filepath.Join(out, "old")}, file},
		"with a newer backup": {RestorePlan{Source: filepath.Join(out, "old")}, filepath.Join(out, "new")},
		"with a newer tar":    {RestorePlan{Source: filepath.Join(out, "old")}, filepath.Join(out, "new.tar")},
		"going back":          {RestorePlan{Source: filepath.Join(out, "new.tar"), Until: old.Head.Seq}, ""},
	} {
		plan.Data = filepath.Join(t.TempDir(), "data")
		if plan.erasures != "" {
			plan.Erasures, err = OpenErasures(plan.erasures)
			require.NoError(t, err, what)
		}
		r, err := Restore(t.Context(), plan.RestorePlan)
		require.NoError(t, err, what)
		require.Equal(t, 4, r.Repeated, what)
		nowhere(t, plan.Data, "Quoll")
		c := checked(t, plan.Data)
		require.True(t, c.Sound(), "%s: %v", what, c)
		require.EqualValues(t, 1, c.Reports, what)
		l, err := sqlite.Open(t.Context(), plan.Data, sqlite.Options{})
		require.NoError(t, err)
		p := &pb.Person{}
		res, err := l.Get(t.Context(), "people/ada")
		require.NoError(t, err)
		require.NoError(t, record.Read(res.Body, res.Revision, p))
		require.Equal(t, "erased", p.GetDisplayName(), what)
		res, err = l.Get(t.Context(), "people/bob")
		require.NoError(t, err)
		require.NoError(t, record.Read(res.Body, res.Revision, p))
		require.Equal(t, "Bob Wombat", p.GetDisplayName(), what)
		versions := &pb.KeptVersions{}
		res, err = l.Get(t.Context(), reportName(1)+"/kept")
		require.NoError(t, err)
		require.NoError(t, record.Read(res.Body, res.Revision, versions))
		require.Len(t, versions.GetVersions(), 1, "%s: numbers that the log does not have are not carried over", what)
		// The same list again changes nothing but what it did not know.
		require.NoError(t, l.Close())
	}
	// On the ledger that the list is from, and on the newer backup, there is
	// nothing to do.
	n, err := Repeat(t.Context(), h.l, list)
	require.NoError(t, err)
	require.Zero(t, n)

	_, err = ReadErasures(bytes.NewReader([]byte("{\"name\":\"people/ada\",\"kind\":\"Person\",\"change\":3}\nnonsense\n")))
	require.ErrorContains(t, err, "line 2")
	_, err = ReadErasures(bytes.NewReader([]byte("{\"name\":\"\",\"kind\":\"Person\"}\n")))
	require.ErrorContains(t, err, "line 1")
	_, err = OpenErasures(filepath.Join(out, "nowhere"))
	require.ErrorIs(t, err, os.ErrNotExist)
}

// TestErasures_closed: a name that was closed to keepers after a backup was made,
// and a key under a new passphrase, are put into the older copy as they lie in the
// newer one: nothing is readable again, and nothing is lost. The check takes
// neither for a deletion.
func TestErasures_closed(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	teller := reportName(1) + "/teller"
	write := func(m proto.Message, name, kind, verb string, again bool) {
		t.Helper()
		_, err := h.l.Write(t.Context(), ledger.Request{Actor: "principals/the-house"}, func(ctx context.Context, tx ledger.Tx) error {
			if again {
				if err := tx.Erase(ctx, name); err != nil {
					return err
				}
			}
			p, err := record.Put(m, name, kind, verb, ledger.Any)
			if err == nil {
				_, err = tx.Put(ctx, p)
			}
			return err
		})
		require.NoError(t, err)
	}
	out := t.TempDir()
	write(&pb.Teller{Name: teller, DisplayName: "Ada Quoll"}, teller, record.KindTeller, record.VerbFile, false)
	write(&pb.Keeper{Name: "keepers/bob", ClosedIdentity: []byte("wombat")}, "keepers/bob", record.KindKeeper, record.VerbBecome, false)
	h.backup(filepath.Join(out, "old"))
	write(&pb.Teller{Name: teller, Closed: []byte("mist"), Keepers: []string{"keepers/bob"}}, teller, record.KindTeller, record.VerbClose, true)
	write(&pb.Teller{Name: teller, Closed: []byte("fog"), Keepers: []string{"keepers/bob"}}, teller, record.KindTeller, record.VerbShare, true)
	write(&pb.Keeper{Name: "keepers/bob", ClosedIdentity: []byte("numbat")}, "keepers/bob", record.KindKeeper, record.VerbUpdate, true)
	require.Empty(t, checked(t, h.dir).Findings)
	h.backup(filepath.Join(out, "new"))

	list, err := OpenErasures(filepath.Join(out, "new"))
	require.NoError(t, err)
	data := filepath.Join(t.TempDir(), "data")
	r, err := Restore(t.Context(), RestorePlan{Source: filepath.Join(out, "old"), Data: data, Erasures: list})
	require.NoError(t, err)
	require.Equal(t, 2, r.Repeated)
	require.Empty(t, checked(t, data).Findings)
	nowhere(t, data, "Quoll")
	l, err := sqlite.Open(t.Context(), data, sqlite.Options{})
	require.NoError(t, err)
	defer l.Close()
	history, err := l.History(t.Context(), teller)
	require.NoError(t, err)
	last := history[len(history)-1]
	require.Equal(t, record.VerbShare, last.Verb, "whoever told hears that the name is closed, not that it is gone")
	got := &pb.Teller{}
	require.NoError(t, record.Read(last.Body, last.Revision, got))
	require.Equal(t, "fog", string(got.GetClosed()))
	k := &pb.Keeper{}
	res, err := l.Get(t.Context(), "keepers/bob")
	require.NoError(t, err)
	require.NoError(t, record.Read(res.Body, res.Revision, k))
	require.Equal(t, "numbat", string(k.GetClosedIdentity()))
}

// TestCheck_quietDeletion destroys a key behind the ledger's back: the chain is
// whole, and the check says that something is gone without a word.
func TestCheck_quietDeletion(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.person("ada", "Ada Quoll")
	require.NoError(t, h.l.Close())
	db, err := sql.Open("sqlite", filepath.Join(h.dir, ledgerFile))
	require.NoError(t, err)
	_, err = db.Exec("UPDATE seals SET key = NULL")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	c := checked(t, h.dir)
	require.Equal(t, []Finding{{PartErasures, 2, "people/ada", "what was said is gone, and no later change says that it was erased"}}, c.Findings)
	require.Equal(t, "erasures: change 2: people/ada: what was said is gone, and no later change says that it was erased", c.Findings[0].String())
}

// TestRestore_olderProgram puts back what the first version wrote: a single
// ledger file, and a backup folder whose ledger is of the first schema.
func TestRestore_olderProgram(t *testing.T) {
	t.Parallel()
	old := filepath.Join("testdata", "schema1", ledgerFile)
	c, err := CheckBackup(t.Context(), old, CheckPlan{Codes: codes()})
	require.NoError(t, err)
	require.True(t, c.Sound(), "%v", c)
	require.EqualValues(t, 5, c.Reports)

	folder := filepath.Join(t.TempDir(), "backup")
	sink, err := newFolderSink(folder + "-part")
	require.NoError(t, err)
	f, err := os.Open(old)
	require.NoError(t, err)
	defer f.Close()
	file, err := sink.put(ledgerFile, 0, c0, f)
	require.NoError(t, err)
	m := Manifest{Made: c0, Files: []File{file}}
	m.Head.Seq = 18
	require.True(t, unhex(c.Head, &m.Head.Hash))
	_, err = sink.put(manifestFile, 0, c0, bytes.NewReader(m.Text()))
	require.NoError(t, err)
	require.NoError(t, sink.publish(folder))

	for _, source := range []string{old, folder} {
		into := filepath.Join(t.TempDir(), "data")
		r, err := Restore(t.Context(), RestorePlan{Source: source, Data: into})
		require.NoError(t, err)
		require.EqualValues(t, 1, r.SchemaFrom)
		require.Greater(t, r.SchemaTo, r.SchemaFrom)
		require.EqualValues(t, 18, r.Head.Seq)
		require.Contains(t, r.Kinds, Count{"Report", 6})
		require.Empty(t, checked(t, into).Findings)
	}
	c, err = CheckBackup(t.Context(), folder, CheckPlan{Codes: codes()})
	require.NoError(t, err)
	require.True(t, c.Sound(), "%v", c)
	// A head that the manifest does not name is found.
	m.Head.Seq = 17
	require.NoError(t, os.WriteFile(filepath.Join(folder, manifestFile), m.Text(), 0o600))
	_, err = Restore(t.Context(), RestorePlan{Source: folder, Data: filepath.Join(t.TempDir(), "data")})
	require.ErrorContains(t, err, "ends with change 18, and the manifest says 17")
	c, err = CheckBackup(t.Context(), folder, CheckPlan{Codes: codes()})
	require.NoError(t, err)
	require.Equal(t, PartBackup, c.Findings[0].Part)
}

// TestRestore_newerProgram leaves a backup alone that a newer program made.
func TestRestore_newerProgram(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := filepath.Join(dir, "newer.db")
	old, err := os.ReadFile(filepath.Join("testdata", "schema1", ledgerFile))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(file, old, 0o600))
	db, err := sql.Open("sqlite", file)
	require.NoError(t, err)
	_, err = db.Exec("INSERT INTO goose_db_version (version_id, is_applied) VALUES (99, 1)")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	into := filepath.Join(dir, "data")
	_, err = Restore(t.Context(), RestorePlan{Source: file, Data: into})
	require.ErrorIs(t, err, ledger.ErrNewer)
	require.ErrorContains(t, err, "install the newer program")
	require.NoDirExists(t, into)
}

// TestRestore_intoEmpty keeps to a folder that is there, also when it cannot be
// replaced, and touches nothing that is not empty.
func TestRestore_intoEmpty(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.report(1, "loose gravel")
	h.photo(1, "a photo")
	copied := filepath.Join(t.TempDir(), "copy.tar")
	h.backup(copied)
	into := filepath.Join(t.TempDir(), "data")
	require.NoError(t, os.Mkdir(into, 0o700))
	_, err := Restore(t.Context(), RestorePlan{Source: copied, Data: into})
	require.NoError(t, err)
	require.Empty(t, checked(t, into).Findings)

	// As in a container, whose data folder is a volume: prepared inside.
	volume := t.TempDir()
	stage, err := os.MkdirTemp(volume, ".restore-*")
	require.NoError(t, err)
	_, err = unpack(t.Context(), copied, stage)
	require.NoError(t, err)
	require.NoError(t, move(stage, volume))
	require.Empty(t, checked(t, volume).Findings)
	require.NoDirExists(t, stage)

	full := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(full, "ours.txt"), nil, 0o600))
	_, err = Restore(t.Context(), RestorePlan{Source: copied, Data: full})
	require.ErrorContains(t, err, "is not empty (ours.txt is there already)")
	gone := filepath.Join(t.TempDir(), "data")
	require.NoError(t, os.Mkdir(gone, 0o700))
	_, err = Restore(t.Context(), RestorePlan{Source: copied + "x", Data: gone})
	require.ErrorIs(t, err, os.ErrNotExist)
	require.DirExists(t, gone, "an empty folder that was there stays")
}
