package servertest

import (
	"context"
	"log/slog"
	"net/http"
	"sync"
	"testing"
	"time"
	_ "time/tzdata" // tests name time zones whatever machine they run on

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/server"
	"fairlead/services/signin"
)

// Options adjust a server. The zero value starts an empty house with the API
// doors and no pages.
type Options struct {
	// Data is the folder; empty is a temporary one.
	Data string
	// Database is the address of a PostgreSQL database; empty keeps the
	// ledger in Data.
	Database string
	// Clock gives the time; nil is the real one.
	Clock func() time.Time
	// Desk makes the pages; nil serves the API alone.
	Desk func(conn grpc.ClientConnInterface, formToken string) (http.Handler, error)
	// Log gets the server's log; nil discards it.
	Log *slog.Logger
	// Supervises bounds the supervisor's rows; empty is the whole tree.
	Supervises []string
	// Directory knows who may call; nil is one principal per role, with the
	// tokens that As sends.
	Directory *access.Directory
	// OpenID is a provider by whose accounts people sign in; nil: there is none.
	OpenID *signin.Provider
	// Metrics opens the metrics door.
	Metrics bool
	// Reads keeps who read what is sensitive, as a house always does. Most tests
	// leave it out: it adds changes to the log whenever they look at something.
	Reads bool
}

// Server is a running server.
type Server struct {
	// GRPC, Web and Metrics are the addresses of the doors, host:port; Metrics
	// is empty unless it was asked for.
	GRPC, Web, Metrics string
	// Data is the folder.
	Data string
	// Tokens are the access tokens by role word: "adviser", "worker".
	Tokens map[string]string

	t    testing.TB
	srv  *server.Server
	stop context.CancelFunc
	done chan struct{}
	err  error
	once sync.Once
	conn *grpc.ClientConn
}

// Start starts a server and stops it when the test ends.
func Start(t testing.TB, o Options) *Server {
	t.Helper()
	if o.Data == "" {
		o.Data = t.TempDir()
	}
	s := &Server{t: t, Data: o.Data, Tokens: map[string]string{}, done: make(chan struct{})}
	everyone := s.everyone(o.Supervises)
	if o.Directory == nil {
		o.Directory = everyone
	}
	ctx, stop := context.WithCancel(context.Background())
	s.stop = stop
	cfg := server.Config{Data: o.Data, Database: o.Database, GRPC: "localhost:0", Web: "localhost:0", Clock: o.Clock, Directory: o.Directory, Desk: o.Desk, OpenID: o.OpenID, Log: o.Log, ReadsUnkept: !o.Reads}
	if o.Metrics {
		cfg.Metrics = "localhost:0"
	}
	srv, err := server.Open(ctx, cfg)
	require.NoError(t, err)
	s.srv, s.GRPC, s.Web, s.Metrics = srv, srv.GRPCAddr(), srv.WebAddr(), srv.MetricsAddr()
	go func() {
		defer close(s.done)
		s.err = srv.Serve(ctx)
	}()
	conn, err := grpc.NewClient("passthrough:///"+s.GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	s.conn = conn
	t.Cleanup(s.Stop)
	return s
}

// everyone makes a directory with one principal per role.
func (s *Server) everyone(supervises []string) *access.Directory {
	d := access.NewDirectory()
	for _, word := range access.RoleWords() {
		role, ok := access.ParseRole(word)
		require.True(s.t, ok)
		p := access.Principal{Name: "principals/" + word, DisplayName: word, Roles: []pb.Role{role}}
		if role == pb.Role_ROLE_SUPERVISOR {
			p.Workplaces = supervises
		}
		s.Tokens[word] = "test-" + word
		require.NoError(s.t, d.AddWithToken(p, s.Tokens[word]))
	}
	return d
}

// Head returns the number of the last change of the log.
func (s *Server) Head() int64 {
	h, err := s.srv.Head(context.Background())
	require.NoError(s.t, err)
	return h.Seq
}

// Ready waits until every projection has applied seq.
func (s *Server) Ready(seq int64) {
	s.t.Helper()
	require.NoError(s.t, s.srv.Ready(s.t.Context(), seq))
}

// StopNow asks the server to stop and does not wait; Stop waits.
func (s *Server) StopNow() { s.stop() }

// Stop stops the server as a terminal's Ctrl-C does and waits for it.
func (s *Server) Stop() {
	s.once.Do(func() {
		s.stop()
		<-s.done
		_ = s.conn.Close()
		require.NoError(s.t, s.err, "the server stops without an error")
		require.Zero(s.t, s.srv.Caught(), "a room said what its reader is not cleared for: see fairlead_answer_fields_taken_out_total")
	})
}

// Conn reaches the server by gRPC without a token; see As.
func (s *Server) Conn() *grpc.ClientConn { return s.conn }

// As returns a context that calls as a role.
func (s *Server) As(role string) context.Context {
	token, ok := s.Tokens[role]
	require.True(s.t, ok, "no such role: %s", role)
	return metadata.AppendToOutgoingContext(s.t.Context(), "authorization", "Bearer "+token)
}

// Shire makes a small tree of workplaces: brindle-range above northside (with
// northside-trees) and quarry-road.
func (s *Server) Shire() {
	s.t.Helper()
	client := pb.NewWorkplaceServiceClient(s.conn)
	for _, w := range []*pb.Workplace{
		{Name: "workplaces/brindle-range", Title: "Brindle Range Shire outdoor works", Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_ORGANISATION, TimeZone: "Australia/Sydney", Jurisdiction: "AU-NSW"},
		{Name: "workplaces/northside", Parent: "workplaces/brindle-range", Title: "Northside depot", Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_SITE},
		{Name: "workplaces/northside-trees", Parent: "workplaces/northside", Title: "Tree crew", Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_CREW},
		{Name: "workplaces/quarry-road", Parent: "workplaces/brindle-range", Title: "Quarry Road depot", Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_SITE},
	} {
		_, err := client.CreateWorkplace(s.As("administrator"), &pb.CreateWorkplaceRequest{Workplace: w})
		require.NoError(s.t, err)
	}
}

// Clock is a clock that a test sets.
type Clock struct {
	mu sync.Mutex
	t  time.Time
}

// NewClock returns a clock that stands at t.
func NewClock(t time.Time) *Clock { return &Clock{t: t} }

// Now returns the time.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.t
}

// Set moves the clock.
func (c *Clock) Set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.t = t
}
