package chain_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"

	"fairlead/clients/chain"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// kept is what an auditor holds: three files in a folder.
func kept(t *testing.T) (dir string, log []*pb.Change) {
	t.Helper()
	s := servertest.Start(t, servertest.Options{})
	s.Shire()
	changes := pb.NewChangeServiceClient(s.Conn())
	cp, err := changes.GetCheckpoint(s.As("auditor"), &pb.GetCheckpointRequest{})
	require.NoError(t, err)
	_, err = pb.NewReportServiceClient(s.Conn()).FileReport(s.As("worker"), &pb.FileReportRequest{Report: &pb.Report{
		Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside", Narrative: "Loose step.", TellerMode: pb.TellerMode_TELLER_MODE_ANONYMOUS}})
	require.NoError(t, err)
	page, err := changes.ListChanges(s.As("auditor"), &pb.ListChangesRequest{})
	require.NoError(t, err)
	dir = t.TempDir()
	write(t, dir, "kept.txt", cp.GetText())
	write(t, dir, "checkpoint.pub", cp.GetPublicKey())
	write(t, dir, "log.jsonl", lines(t, page.GetChanges()))
	return dir, page.GetChanges()
}

func lines(t *testing.T, log []*pb.Change) string {
	t.Helper()
	var out strings.Builder
	for _, c := range log {
		b, err := protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(c)
		require.NoError(t, err)
		out.Write(append(b, '\n'))
	}
	return out.String()
}

func write(t *testing.T, dir, name, text string) {
	t.Helper()
	require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
}

// TestOutsider does what DEVELOPERS.md tells somebody who has none of this
// software, with the commands as they stand there.
func TestOutsider(t *testing.T) {
	t.Parallel()
	page, err := os.ReadFile(filepath.Join("..", "..", "DEVELOPERS.md"))
	require.NoError(t, err)
	_, section, found := bytes.Cut(page, []byte("## Checking the log without this software"))
	require.True(t, found)
	block := func(language string) string {
		m := regexp.MustCompile("(?s)```" + language + "\n(.*?)```").FindSubmatch(section)
		require.NotNil(t, m)
		return string(m[1])
	}
	dir, log := kept(t)
	run := func(name string, args ...string) (string, error) {
		cmd := exec.Command(name, args...)
		cmd.Dir = dir
		out, err := cmd.CombinedOutput()
		return string(out), err
	}

	if _, err := exec.LookPath("openssl"); err != nil {
		t.Log("openssl is not on this machine: the signature was NOT checked by it")
	} else {
		out, err := run("sh", "-ec", block("sh"))
		require.NoError(t, err, out)
		require.Contains(t, out, "Verified Successfully")
	}

	if _, err := exec.LookPath("python3"); err != nil {
		t.Log("python3 is not on this machine: the chain was NOT checked by it")
		return
	}
	write(t, dir, "check.py", block("python"))
	out, err := run("python3", "check.py", "kept.txt", "log.jsonl")
	require.NoError(t, err, out)
	require.Contains(t, out, "5 changes, every link holds, 0 of the first format")

	for what, alter := range map[string]func([]*pb.Change) []*pb.Change{
		"change 2 was altered":                    func(l []*pb.Change) []*pb.Change { l[1].Verb = "void"; return l },
		"something is missing after change 1":     func(l []*pb.Change) []*pb.Change { return append(l[:1], l[2:]...) },
		"the log is not the one that was signed":  func(l []*pb.Change) []*pb.Change { return l[:2] },
		"the checkpoint belongs to another log":   func(l []*pb.Change) []*pb.Change { return nil },
		"change 3 does not follow the one before": func(l []*pb.Change) []*pb.Change { l[2].PreviousHash = l[0].Hash; return l },
	} {
		var copied []*pb.Change
		for _, c := range log {
			copied = append(copied, protoClone(c))
		}
		write(t, dir, "altered.jsonl", lines(t, alter(copied)))
		out, err := run("python3", "check.py", "kept.txt", "altered.jsonl")
		require.Error(t, err, what)
		require.Contains(t, out, what)
	}

	// The first format, as the ledger's own published example has it.
	write(t, dir, "old.jsonl", lines(t, []*pb.Change{old()}))
	write(t, dir, "old.txt", "fairlead checkpoint 1\norigin "+old().Hash+"\nsequence_number 1\nhead_hash "+old().Hash+"\n")
	out, err = run("python3", "check.py", "old.txt", "old.jsonl")
	require.NoError(t, err, out)
	require.Contains(t, out, "1 changes, every link holds, 0 of the first format")
	l := chain.NewLog()
	require.NoError(t, l.Add(old()))
	require.Equal(t, int64(1), l.Recomputed)
}
