package server_test

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/server"
	"fairlead/services/server/servertest"
)

// TestReopen stops a server, does something to its search index, and starts it
// again: everything is found as before, whatever became of the index.
func TestReopen(t *testing.T) {
	t.Parallel()
	for what, harm := range map[string]func(t *testing.T, index string){
		"nothing":       func(*testing.T, string) {},
		"index deleted": func(t *testing.T, index string) { require.NoError(t, os.RemoveAll(index)) },
		"every file cut short": func(t *testing.T, index string) {
			eachFile(t, index, func(path string, info os.FileInfo) { require.NoError(t, os.Truncate(path, info.Size()/2)) })
		},
		"every file overwritten": func(t *testing.T, index string) {
			eachFile(t, index, func(path string, info os.FileInfo) {
				require.NoError(t, os.WriteFile(path, []byte(strings.Repeat("rubbish ", int(info.Size())/8)), 0o600))
			})
		},
		"an index of another log": func(t *testing.T, index string) {
			other := newWorld(t, servertest.Options{})
			for range 9 {
				other.Ready(other.file(t, "a quite different story about a kettle"))
			}
			other.Stop()
			require.NoError(t, os.RemoveAll(index))
			require.NoError(t, os.CopyFS(index, os.DirFS(filepath.Join(other.Data, server.IndexFolder))))
		},
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			data := t.TempDir()
			w := newWorld(t, servertest.Options{Data: data})
			for i := range 7 {
				w.Ready(w.file(t, "a hung-up branch number "+strconv.Itoa(i)))
			}
			head, before := w.Head(), w.search(t, "branches")
			require.Len(t, before, 7)
			w.Stop()
			harm(t, filepath.Join(data, server.IndexFolder))

			again := &world{t: t, clock: w.clock, count: w.count, kept: map[string]string{}}
			again.Server = servertest.Start(t, servertest.Options{Data: data, Clock: w.clock.Now})
			require.Equal(t, head, again.Head())
			require.Equal(t, before, again.search(t, "branches"))
			again.Ready(again.file(t, "a branch that came down after the restart"))
			require.Len(t, again.search(t, "branches"), 8)
		})
	}
}

func eachFile(t *testing.T, folder string, do func(path string, info os.FileInfo)) {
	t.Helper()
	n := 0
	require.NoError(t, filepath.Walk(folder, func(path string, info os.FileInfo, err error) error {
		if err == nil && info.Mode().IsRegular() {
			n++
			do(path, info)
		}
		return err
	}))
	require.Positive(t, n)
}

// file files a hazard and returns the number of the change.
func (w *world) file(t *testing.T, narrative string) int64 {
	t.Helper()
	resp, err := pb.NewReportServiceClient(w.Conn()).FileReport(w.As("worker"), &pb.FileReportRequest{Report: &pb.Report{
		Name: "reports/" + w.id(), Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside", Narrative: narrative}})
	require.NoError(t, err, reasons(err))
	return resp.GetSequenceNumber()
}

// search returns the names of the reports that are found.
func (w *world) search(t *testing.T, words string) []string {
	t.Helper()
	resp, err := pb.NewSearchServiceClient(w.Conn()).SearchReports(w.As("adviser"), &pb.SearchReportsRequest{Words: words, PageSize: 100,
		Order: pb.SearchOrder_SEARCH_ORDER_NEWEST_FIRST, MinSequenceNumber: w.Head()})
	require.NoError(t, err, reasons(err))
	var out []string
	for _, h := range resp.GetHits() {
		out = append(out, h.GetReport())
	}
	return out
}

// TestOpenRefuses wants a clear word, and nothing left locked or listening,
// when a server cannot open.
func TestOpenRefuses(t *testing.T) {
	t.Parallel()
	taken, err := net.Listen("tcp", "localhost:0")
	require.NoError(t, err)
	defer taken.Close()
	w := newWorld(t, servertest.Options{})
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	bad := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(bad, "access.yaml"), []byte("- id: x\n  roles: [emperor]\n"), 0o600))
	torn := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(torn, "ledger.db"), []byte("this is no database, whatever it is called"), 0o600))

	for what, c := range map[string]struct {
		cfg  server.Config
		want []string
	}{
		"no folder":            {server.Config{}, []string{"data folder", "--data"}},
		"a folder in use":      {server.Config{Data: w.Data}, []string{w.Data, "in use by another process", "stop it first"}},
		"a file":               {server.Config{Data: file}, []string{"data folder"}},
		"a gRPC port in use":   {server.Config{GRPC: taken.Addr().String()}, []string{"grpc door", "another server running", "--grpc"}},
		"a web port in use":    {server.Config{Web: taken.Addr().String()}, []string{"web door", "--web"}},
		"a port for metrics":   {server.Config{Metrics: taken.Addr().String()}, []string{"metrics door", "--metrics"}},
		"no port":              {server.Config{Web: "localhost"}, []string{"web door", "host:port"}},
		"open to all":          {server.Config{Web: ":0"}, []string{"open to other machines", "TLS proxy", "--exposed"}},
		"open to all, by name": {server.Config{GRPC: "0.0.0.0:0"}, []string{"open to other machines", "--exposed"}},
		"another machine":      {server.Config{Metrics: "192.0.2.1:0"}, []string{"open to other machines"}},
		"a name of a machine":  {server.Config{Web: "depot.example:8080"}, []string{"open to other machines"}},
		"no code tables":       {server.Config{Codes: t.TempDir()}, []string{"code tables"}},
		"an unknown role":      {server.Config{Data: bad}, []string{"access.yaml", "emperor", "adviser"}},
		"no database":          {server.Config{Data: torn}, []string{"open the ledger"}},
	} {
		if c.cfg.Data == "" && what != "no folder" {
			c.cfg.Data = t.TempDir()
		}
		s, err := server.Open(t.Context(), c.cfg)
		require.Nil(t, s, what)
		require.Error(t, err, what)
		for _, part := range c.want {
			require.Contains(t, err.Error(), part, what)
		}
		if c.cfg.Data == "" || c.cfg.Data == w.Data || c.cfg.Data == file || c.cfg.Data == torn || c.cfg.Data == bad {
			continue
		}
		// The folder is free again.
		s, err = server.Open(t.Context(), server.Config{Data: c.cfg.Data})
		require.NoError(t, err, "after %s", what)
		require.NoError(t, s.Close())
	}
	// Who says so may open the doors to others.
	s, err := server.Open(t.Context(), server.Config{Data: t.TempDir(), GRPC: "0.0.0.0:0", Exposed: true})
	require.NoError(t, err)
	require.NoError(t, s.Close())
	for _, own := range []string{"localhost:0", "127.0.0.1:0", "[::1]:0"} {
		s, err := server.Open(t.Context(), server.Config{Data: t.TempDir(), Web: own})
		if err != nil {
			require.Contains(t, err.Error(), "assign requested address", "a machine without IPv6")
			continue
		}
		require.NoError(t, s.Close())
	}
}

// TestOpenGivesUp ends an opening whose caller has gone.
func TestOpenGivesUp(t *testing.T) {
	t.Parallel()
	ctx, stop := context.WithCancel(t.Context())
	stop()
	_, err := server.Open(ctx, server.Config{Data: t.TempDir()})
	require.ErrorIs(t, err, context.Canceled)
}

// TestAccessWithoutRestart adds and removes a principal beside a running server.
func TestAccessWithoutRestart(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	running, err := access.OpenDirectory(filepath.Join(data, "access.yaml"))
	require.NoError(t, err)
	w := &world{t: t, kept: map[string]string{}}
	w.Server = servertest.Start(t, servertest.Options{Data: data, Directory: running})
	client := pb.NewAccessServiceClient(w.Conn())

	// Another process, as `access add` is, writes the file.
	beside, err := access.OpenDirectory(filepath.Join(data, "access.yaml"))
	require.NoError(t, err)
	token, err := beside.Add(access.Principal{Name: "principals/iris", DisplayName: "Iris Storybook", Roles: []pb.Role{pb.Role_ROLE_WORKER}})
	require.NoError(t, err)
	ctx := header(t.Context(), "Bearer "+token)
	eventually(t, func() bool { _, err := client.GetMyself(ctx, &pb.GetMyselfRequest{}); return err == nil })
	me, err := client.GetMyself(ctx, &pb.GetMyselfRequest{})
	require.NoError(t, err)
	require.Equal(t, "Iris Storybook", me.GetDisplayName())
	// Two commands are never within one tick of the file system's clock.
	time.Sleep(20 * time.Millisecond)
	require.NoError(t, beside.Remove("principals/iris"))
	eventually(t, func() bool { _, err := client.GetMyself(ctx, &pb.GetMyselfRequest{}); return err != nil })
}

// eventually waits for what follows within seconds.
func eventually(t *testing.T, so func() bool) {
	t.Helper()
	require.Eventually(t, so, 20*time.Second, 50*time.Millisecond)
}
