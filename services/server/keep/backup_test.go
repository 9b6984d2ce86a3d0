package keep

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/ledger/sqlite"
	"fairlead/services/record"
)

// TestBackup_whileWriting takes backups of both forms while reports and photos
// come in, and finds in each what the ledger held at its head.
func TestBackup_whileWriting(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	out := t.TempDir()
	ctx, stop := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() {
		for n := 1; ctx.Err() == nil; n++ {
			h.report(n, fmt.Sprint("loose gravel ", n))
			h.photo(n, fmt.Sprint("a photo ", n))
		}
	})
	var made []Made
	for i, name := range []string{"one", "two.tar", "three", "four.tar"} {
		require.NoError(t, h.l.Wait(t.Context(), int64(20*(i+1))))
		m := h.backup(filepath.Join(out, name))
		require.True(t, m.Signed)
		require.InDelta(t, m.Head.Seq/2, m.Attachments, 1)
		made = append(made, m)
	}
	stop()
	wg.Wait()
	all, err := h.l.Changes(t.Context(), 0, ledger.MaxList)
	require.NoError(t, err)
	for i, name := range []string{"one", "two.tar", "three", "four.tar"} {
		into := filepath.Join(t.TempDir(), "new", "data")
		r, err := Restore(t.Context(), RestorePlan{Source: filepath.Join(out, name), Data: into})
		require.NoError(t, err)
		require.Equal(t, made[i].Head.Seq, r.Head.Seq)
		require.Equal(t, made[i].Attachments, r.Attachments)
		require.Contains(t, r.Checkpoint, "and fits")
		require.True(t, r.Access && r.Sealing)
		c := checked(t, into)
		require.Empty(t, c.Findings)
		require.Equal(t, made[i].Attachments, c.Attachments)
		back, err := sqlite.Open(t.Context(), into, sqlite.Options{})
		require.NoError(t, err)
		got, err := back.Changes(t.Context(), 0, ledger.MaxList)
		require.NoError(t, err)
		require.Empty(t, cmp.Diff(all[:r.Head.Seq], got))
		require.NoError(t, back.Close())
	}
	entries, err := os.ReadDir(out)
	require.NoError(t, err)
	require.Len(t, entries, 4, "nothing half-written stays: %v", entries)
}

// TestBackup_everyPart flips a byte in each file of a backup, at its beginning,
// middle and end: a restore and a check name the file, and nothing is restored.
func TestBackup_everyPart(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.report(1, "loose gravel")
	ref := h.photo(1, strings.Repeat("a photo ", 100))
	h.person("ada", "Ada Quoll")
	h.forget("ada")
	good := filepath.Join(t.TempDir(), "good")
	m := h.backup(good)
	var parts []string
	for _, f := range m.Files {
		parts = append(parts, f.Path)
	}
	require.Equal(t, []string{accessFile, publicFile, checkpointFile, erasuresFile, "files/" + ref.SHA256[:2] + "/" + ref.SHA256[2:], ledgerFile,
		sealingFolder + "/0001-0123456789abcdef.pem"}, parts)
	for _, part := range append(parts, manifestFile) {
		info, err := os.Stat(filepath.Join(good, part))
		require.NoError(t, err)
		for _, at := range []int{0, int(info.Size() / 2), int(info.Size() - 1)} {
			bad, into := filepath.Join(t.TempDir(), "bad"), filepath.Join(t.TempDir(), "data")
			require.NoError(t, os.CopyFS(bad, os.DirFS(good)))
			flip(t, filepath.Join(bad, part), at)
			refused(t, bad, into, part)
		}
		bad, into := filepath.Join(t.TempDir(), "bad"), filepath.Join(t.TempDir(), "data")
		require.NoError(t, os.CopyFS(bad, os.DirFS(good)))
		require.NoError(t, os.Remove(filepath.Join(bad, part)))
		if part == manifestFile {
			_, err := Restore(t.Context(), RestorePlan{Source: bad, Data: into})
			require.ErrorContains(t, err, manifestFile)
			continue
		}
		refused(t, bad, into, part+" is missing")
	}
}

// refused wants a restore and a check that both name what is wrong.
func refused(t *testing.T, bad, into, what string) {
	t.Helper()
	_, err := Restore(t.Context(), RestorePlan{Source: bad, Data: into})
	require.ErrorIs(t, err, ErrUnsound)
	require.ErrorContains(t, err, what)
	require.NoDirExists(t, into)
	c, err := CheckBackup(t.Context(), bad, CheckPlan{Codes: codes()})
	require.NoError(t, err)
	require.False(t, c.Sound())
	require.Equal(t, PartBackup, c.Findings[0].Part)
	require.Contains(t, c.Findings[0].What, what)
}

// TestBackup_tar flips bytes all over a tar file: whatever is hit, what comes
// back is what was written, or it is refused.
func TestBackup_tar(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.report(1, "loose gravel")
	h.photo(1, "a photo")
	good := filepath.Join(t.TempDir(), "good.tar")
	m := h.backup(good)
	raw, err := os.ReadFile(good)
	require.NoError(t, err)
	for at := 0; at < len(raw); at += max(1, len(raw)/97) {
		dir := t.TempDir()
		bad := filepath.Join(dir, "bad.tar")
		require.NoError(t, os.WriteFile(bad, raw, 0o600))
		flip(t, bad, at)
		r, err := Restore(t.Context(), RestorePlan{Source: bad, Data: filepath.Join(dir, "data")})
		if err == nil {
			require.Equal(t, m.Head.Hash, r.Head.Hash, "byte %d: a flip in padding harms nothing", at)
			continue
		}
		require.ErrorIs(t, err, ErrUnsound, "byte %d", at)
	}
	for _, n := range []int{0, 100, 512, len(raw) / 2, len(raw) - 2000} {
		dir := t.TempDir()
		bad := filepath.Join(dir, "bad.tar")
		require.NoError(t, os.WriteFile(bad, raw[:n], 0o600))
		_, err := Restore(t.Context(), RestorePlan{Source: bad, Data: filepath.Join(dir, "data")})
		require.ErrorIs(t, err, ErrUnsound, "cut to %d", n)
	}
}

// TestBackup_refuses does not make what would not be a backup.
func TestBackup_refuses(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ref := h.photo(1, "a photo")
	out := t.TempDir()
	plan := BackupPlan{Data: h.dir, Dest: filepath.Join(out, "copy"), Free: func(string) (int64, error) { return spare, nil }}
	_, err := Backup(t.Context(), h.l, plan)
	require.ErrorIs(t, err, ledger.ErrFull)
	require.ErrorContains(t, err, "16 MB left, and the backup needs up to")

	plan.Free = nil
	file := filepath.Join(h.dir, "files", ref.SHA256[:2], ref.SHA256[2:])
	flip(t, file, 3)
	_, err = Backup(t.Context(), h.l, plan)
	require.ErrorContains(t, err, "the file "+ref.SHA256+" of "+photoName(1)+" is damaged")
	c := checked(t, h.dir)
	require.Equal(t, []Finding{{PartAttachments, 0, photoName(1), "file " + ref.SHA256 + ": blob: bytes are not what was stored"}}, c.Findings)

	require.NoError(t, os.Remove(file))
	_, err = Backup(t.Context(), h.l, plan)
	require.ErrorContains(t, err, "the file "+ref.SHA256+" of "+photoName(1)+" is missing")
	require.Equal(t, PartAttachments, checked(t, h.dir).Findings[0].Part)

	// Once it is removed, nobody asks for its bytes.
	h.put(&pb.Attachment{Name: photoName(1), Sha256: ref.SHA256, SizeBytes: ref.Size, RemoveTime: timestamppb.New(time.Unix(1, 0))},
		photoName(1), record.KindAttachment, record.VerbDetach)
	_, err = Backup(t.Context(), h.l, plan)
	require.NoError(t, err)
	require.Empty(t, checked(t, h.dir).Findings)
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	plan.Dest = filepath.Join(out, "ended")
	_, err = Backup(ended, h.l, plan)
	require.ErrorIs(t, err, context.Canceled)
	entries, err := os.ReadDir(out)
	require.NoError(t, err)
	require.Len(t, entries, 1)

	// Back before the removal the photo is named again, and its bytes are gone.
	r, err := Restore(t.Context(), RestorePlan{Source: filepath.Join(out, "copy"), Data: filepath.Join(out, "data"), Until: 2})
	require.NoError(t, err)
	require.Equal(t, 1, r.Missing)
	require.Equal(t, 1, r.Attachments)
}

func TestManifest(t *testing.T) {
	t.Parallel()
	m := Manifest{Made: time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC), Head: ledger.Head{Seq: 7, Hash: [32]byte{1}},
		Files: []File{{Path: "ledger.db", Size: 5, SHA256: [32]byte{2}}, {Path: "access.yaml"}}}
	text := m.Text()
	got, err := parseManifest(text)
	require.NoError(t, err)
	require.Equal(t, m, got)
	for _, path := range []string{"../ledger.db", "/etc/passwd", "files/../../x", "sealing/..", "sealing/.hidden", "search/x", "ledger.db-wal", "files/ab/cd"} {
		bad := Manifest{Files: []File{{Path: path}}}
		_, err := parseManifest(bad.Text())
		require.ErrorIs(t, err, errManifest, path)
	}
}

// FuzzManifest wants whatever is read to write itself again.
func FuzzManifest(f *testing.F) {
	f.Add((&Manifest{Files: []File{{Path: "ledger.db"}}}).Text())
	f.Fuzz(func(t *testing.T, text []byte) {
		if m, err := parseManifest(text); err == nil {
			require.Equal(t, string(text), string(m.Text()))
		}
	})
}
