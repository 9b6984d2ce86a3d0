package chain_test

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"fairlead/clients/chain"
	pb "fairlead/proto/gen/fairlead/v1"
)

func protoClone(c *pb.Change) *pb.Change { return proto.Clone(c).(*pb.Change) }

// old is a change of the first format; its hash was made by twelve lines of
// Python (hashlib, struct) from the page alone, see services/ledger.
func old() *pb.Change {
	body := sha256.Sum256([]byte("slipped on wet steps"))
	return &pb.Change{
		SequenceNumber: 1, ChangeTime: timestamppb.New(time.Date(2026, 3, 2, 6, 30, 0, 1000, time.UTC)), Actor: "people/ann", Verb: "file",
		Resource: "reports/1", ResourceKind: "Report", Revision: 1, RequestId: "r-1", Format: 1, BodySha256: hex.EncodeToString(body[:]),
		PreviousHash: strings.Repeat("0", 64), Hash: "afc9af006fe79258f66e19a62f1af9dd638c173a2a1b78fa6be199abe4e40a4a",
	}
}

// TestEveryFieldCounts alters each field that a hash covers.
func TestEveryFieldCounts(t *testing.T) {
	t.Parallel()
	dir, log := kept(t)
	for what, alter := range map[string]func(*pb.Change){
		"seq": func(c *pb.Change) { c.SequenceNumber++ }, "verb": func(c *pb.Change) { c.Verb += "x" },
		"name": func(c *pb.Change) { c.Resource += "x" }, "kind": func(c *pb.Change) { c.ResourceKind += "x" },
		"revision": func(c *pb.Change) { c.Revision++ }, "who": func(c *pb.Change) { c.WhoHash = c.BodyHash },
		"body": func(c *pb.Change) { c.BodyHash = c.WhoHash }, "hash": func(c *pb.Change) { c.Hash = c.PreviousHash },
		"before": func(c *pb.Change) { c.PreviousHash = c.Hash }, "format": func(c *pb.Change) { c.Format = 3 },
		"not a hash": func(c *pb.Change) { c.BodyHash = "quokka" },
	} {
		l := chain.NewLog()
		require.NoError(t, l.Add(log[0]))
		c := protoClone(log[1])
		alter(c)
		require.Error(t, l.Add(c), what)
		require.NoError(t, l.Add(log[1]), "%s: what was refused leaves nothing behind", what)
	}
	hidden := old()
	hidden.Actor = ""
	l := chain.NewLog()
	require.NoError(t, l.Add(hidden))
	require.Zero(t, l.Recomputed, "what cannot be computed is not called computed")

	// The checkpoint: every byte of it, and the logs that it does not cover.
	text, err := os.ReadFile(filepath.Join(dir, "kept.txt"))
	require.NoError(t, err)
	pub, err := os.ReadFile(filepath.Join(dir, "checkpoint.pub"))
	require.NoError(t, err)
	c, err := chain.Open(text, pub)
	require.NoError(t, err)
	for i := range text {
		bad := []byte(string(text))
		bad[i] ^= 1
		_, err := chain.Open(bad, pub)
		require.Error(t, err, "byte %d", i)
	}
	whole := chain.NewLog(c.Seq)
	require.NoError(t, whole.Read(strings.NewReader(lines(t, log))))
	require.NoError(t, whole.Covers(c))
	require.ErrorContains(t, chain.NewLog(c.Seq).Covers(c), "cut off")
	other := c
	other.Head = c.Origin
	require.ErrorContains(t, whole.Covers(other), "rewritten")
	other = c
	other.Origin = c.Head
	require.ErrorContains(t, whole.Covers(other), "another log")
	require.ErrorContains(t, chain.NewLog().Read(strings.NewReader("{]\n")), "not a change")
}

// FuzzRead wants bad logs refused and never a panic.
func FuzzRead(f *testing.F) {
	f.Add(`{"sequenceNumber":"1","format":2}`)
	f.Add("\n\n{}")
	f.Fuzz(func(t *testing.T, text string) {
		l := chain.NewLog(1)
		if err := l.Read(strings.NewReader(text)); err == nil && l.Seq > 0 {
			require.Len(t, l.Last, 64)
		}
	})
}
