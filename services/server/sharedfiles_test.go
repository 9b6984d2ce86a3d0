package server_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger/postgres"
	"fairlead/services/ledger/postgres/pgtest"
	"fairlead/services/server"
	"fairlead/services/server/keep"
	"fairlead/services/server/servertest"
)

// TestFilesShared adds a photo at one server and reads it at another that
// shares its database; a check reads it too.
func TestFilesShared(t *testing.T) {
	t.Parallel()
	database := pgtest.Database(t)
	t.Cleanup(func() { pgtest.Exec(t, database, "DROP SCHEMA IF EXISTS fairlead_files CASCADE") })
	one := newWorld(t, servertest.Options{Database: database})
	a := one.attach(one.report("shared").GetName(), onePixel)
	two := servertest.Start(t, servertest.Options{Database: database, Clock: one.clock.Now})
	stream, err := pb.NewAttachmentServiceClient(two.Conn()).ReadAttachment(two.As("adviser"), &pb.ReadAttachmentRequest{Name: a.GetName()})
	require.NoError(t, err)
	var got []byte
	for {
		m, err := stream.Recv()
		if err != nil {
			break
		}
		got = append(got, m.GetChunk()...)
	}
	require.Equal(t, onePixel, got)

	store, closer, err := server.OpenFiles(t.Context(), "", database, true, nil)
	require.NoError(t, err)
	defer closer.Close()
	l, err := postgres.OpenReadOnly(t.Context(), database, postgres.Options{})
	require.NoError(t, err)
	defer l.Close()
	checked, err := keep.Check(t.Context(), l, keep.CheckPlan{Files: store})
	require.NoError(t, err)
	require.Equal(t, 1, checked.Attachments)
	for _, f := range checked.Findings {
		require.NotEqual(t, keep.PartAttachments, f.Part, f.What)
	}
}
