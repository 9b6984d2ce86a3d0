package keep

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"fairlead/services/checkpoint"
	"fairlead/services/server"
	"fairlead/services/server/servertest"
)

// TestNothingIsForgotten starts a server and wants every name in its data
// folder to be in backups, or here with the reason why it is not. A room that
// brings a new file fails here until somebody has decided.
func TestNothingIsForgotten(t *testing.T) {
	t.Parallel()
	s := servertest.Start(t, servertest.Options{})
	s.Shire()
	notCopied := map[string]string{
		"ledger.db-wal":       "folded into the copy of the ledger",
		"ledger.db-shm":       "an index of the write-ahead log, for the moment only",
		"ledger.lock":         "says that a server runs here",
		server.IndexFolder:    "made anew from the log",
		server.SpoolFolder:    "uploads on their way, worth nothing later",
		checkpoint.KeyFile:    "signs for this house; a copy of it could sign another log",
		checkpoint.PublicFile: "copied as the key of the checkpoint in the backup",
	}
	entries, err := os.ReadDir(s.Data)
	require.NoError(t, err)
	require.NotEmpty(t, entries)
	for _, e := range entries {
		if _, ok := notCopied[e.Name()]; ok || e.Name() == server.FilesFolder || e.Name() == sealingFolder {
			continue
		}
		require.Regexp(t, mayHold, e.Name(), "is it to be in backups? see plain and mayHold")
	}
}
