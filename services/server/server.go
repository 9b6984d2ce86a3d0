package server

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"net/http"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"
	"google.golang.org/grpc/test/bufconn"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/ledger"
)

// grace is how long running calls of a door may take to finish at shutdown.
const grace = 8 * time.Second

// Server is the whole house, open but not yet serving.
type Server struct {
	cfg       Config
	ledger    ledger.Ledger
	present   presence
	rooms     *rooms
	directory *access.Directory
	metrics   *metrics
	limits    *limits
	cert      *certificate // nil: the doors speak in clear

	grpc   *grpc.Server
	health *health.Server
	inside *bufconn.Listener
	conn   *grpc.ClientConn

	grpcListener, webListener, metricsListener net.Listener
	web                                        http.Handler

	// endStreams ends the watches that are open; stopping is over then.
	stopping   context.Context
	endStreams context.CancelFunc
	// following ends the projections; done waits for them.
	following context.CancelFunc
	done      sync.WaitGroup
	failed    chan error
}

// Open opens the data, brings the projections up to the head, wires the rooms
// and listens. Nothing is served before Serve.
func Open(ctx context.Context, cfg Config) (srv *Server, err error) {
	if err := cfg.check(); err != nil {
		return nil, err
	}
	s := &Server{cfg: cfg, failed: make(chan error, 8)}
	s.stopping, s.endStreams = context.WithCancel(context.Background())
	defer func() {
		if err != nil {
			err = errors.Join(err, s.close())
			srv = nil
		}
	}()
	if s.directory = cfg.Directory; s.directory == nil {
		if s.directory, err = access.OpenDirectory(cfg.path("access.yaml")); err != nil {
			return nil, err
		}
	}
	cfg.Directory = s.directory // however it came
	if s.ledger, err = openLedger(ctx, cfg); err != nil {
		return nil, err
	}
	if s.rooms, err = openRooms(ctx, cfg, s.ledger); err != nil {
		return nil, err
	}
	behind := map[string]func() int64{}
	head := func() int64 {
		h, err := s.ledger.Head(context.Background())
		if err != nil {
			return 0
		}
		return h.Seq
	}
	for _, p := range s.rooms.projections {
		behind[p.name] = func() int64 { return head() - p.Seq() }
	}
	s.metrics = newMetrics(head, behind)
	s.limits = newLimits(cfg.Limits, cfg.Clock)
	if cfg.TLSCert != "" {
		if s.cert, err = readCertificate(cfg.TLSCert, cfg.TLSKey, cfg.Log); err != nil {
			return nil, err
		}
	}
	if err := s.buildGRPC(); err != nil {
		return nil, err
	}
	if err := s.listen(); err != nil {
		return nil, err
	}
	s.rooms.origin.Store(new(s.origin()))
	s.follow()
	return s, s.startInside()
}

// buildGRPC makes the gRPC server with its gate and registers the rooms.
func (s *Server) buildGRPC() error {
	g := &gate{log: s.cfg.Log, policy: access.NewPolicy(), directory: s.directory, registry: s.rooms.registry, rules: s.rooms.rules, metrics: s.metrics, limits: s.limits, stopping: s.stopping}
	if !s.cfg.ReadsUnkept {
		g.read = s.rooms.recorder.Note
	}
	options := []grpc.ServerOption{
		grpc.ChainUnaryInterceptor(g.Unary),
		grpc.ChainStreamInterceptor(g.Stream),
		grpc.ForceServerCodecV2(codec{encoding.GetCodecV2("proto")}),
		// Up to twice maxMessage is read and then refused in our words, by the
		// codec. What is longer grpc-go refuses by itself, in its words
		// ("received message larger than max"), and so it does with frames that
		// are cut short or of an unknown compression. It leaves no seam to say
		// it better: serverStream.RecvMsg writes the status to the wire before
		// it returns (grpc v1.85.0 stream.go, the deferred WriteStatus), and
		// the first status wins; InTapHandle sees headers only, which hold no
		// length; a stats.Handler is told of the end and changes nothing; a
		// codec is asked after the frame was read. Reading frames of any length
		// to be polite about them would let anybody fill the memory. Our own
		// client says it in plain words (clients/api), the web door too.
		grpc.MaxRecvMsgSize(2 * maxMessage),
		grpc.MaxSendMsgSize(64 << 20),
		grpc.MaxConcurrentStreams(1000),
		grpc.MaxHeaderListSize(maxHeader),
		grpc.ConnectionTimeout(headerTime),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 10 * time.Second, PermitWithoutStream: true}),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: time.Minute, Timeout: 20 * time.Second}),
	}
	if s.cert != nil {
		options = append(options, grpc.Creds(newDoorCredentials(s.cert)))
	}
	s.grpc = grpc.NewServer(options...)
	s.rooms.register(registrar{s.grpc}, g.policy)
	s.health = health.NewServer()
	healthpb.RegisterHealthServer(s.grpc, s.health)
	for name := range s.grpc.GetServiceInfo() {
		s.health.SetServingStatus(name, healthpb.HealthCheckResponse_SERVING)
	}
	reflection.Register(s.grpc)
	return nil
}

// listen opens the doors.
func (s *Server) listen() error {
	for _, d := range []struct {
		name, addr string
		l          *net.Listener
	}{
		{"grpc", s.cfg.GRPC, &s.grpcListener},
		{"web", s.cfg.Web, &s.webListener},
		{"metrics", s.cfg.Metrics, &s.metricsListener},
	} {
		if d.addr == "" {
			continue
		}
		l, err := net.Listen("tcp", d.addr)
		if err != nil {
			return fmt.Errorf("server: open the %s door: %w; is another server running? choose another address with --%s", d.name, err, d.name)
		}
		*d.l = l
	}
	return nil
}

// origin is the address of the pages as browsers see it, or "" when only a
// proxy knows it.
func (s *Server) origin() string {
	if s.cfg.Origin != "" || s.webListener == nil {
		return s.cfg.Origin
	}
	host, _, err := net.SplitHostPort(s.cfg.Web)
	_, port, err2 := net.SplitHostPort(s.WebAddr())
	if err != nil || err2 != nil || host != "localhost" {
		return ""
	}
	if s.cert != nil {
		return "https://localhost:" + port
	}
	return "http://localhost:" + port
}

// follow lets the projections follow the log until close.
func (s *Server) follow() {
	ctx, cancel := context.WithCancel(context.Background())
	s.following = cancel
	for _, p := range s.rooms.projections {
		s.done.Go(func() { s.keepFollowing(ctx, p) })
	}
	s.done.Go(func() { s.watchDatabase(ctx) })
	s.done.Go(func() { s.rooms.files.SweepDaily(ctx, s.cfg.Log) })
	s.done.Go(func() { s.rooms.keeping.EraseDaily(ctx, s.cfg.Log) })
	s.done.Go(func() { s.rooms.keepers.CloseDaily(ctx, s.cfg.Log) })
	s.done.Go(func() { s.rooms.recorder.Run(ctx) })
}

// How long a projection that broke off waits before it goes on.
const (
	firstWait = 100 * time.Millisecond
	mostWait  = 5 * time.Second
)

// keepFollowing runs a projection until ctx ends. What breaks it off, such as a
// disk that has no room for the index, must not end the filing of reports: it
// goes on from its own cursor as soon as it can, and until then readers who ask
// for a number that it has not reached are told to try again.
func (s *Server) keepFollowing(ctx context.Context, p projection) {
	for wait := firstWait; ; wait = min(2*wait, mostWait) {
		from := p.Seq()
		err := p.Run(ctx)
		if ctx.Err() != nil {
			return
		}
		if p.Seq() > from {
			wait = firstWait
		}
		s.cfg.Log.ErrorContext(ctx, "a projection broke off and will go on", "projection", p.name, "seq", p.Seq(), "wait", wait, "cause", redact(err))
		select {
		case <-time.After(wait):
		case <-ctx.Done():
			return
		}
	}
}

// startInside serves the in-process door, over which the pages are a client
// like any other, and makes the handler of the web door.
func (s *Server) startInside() error {
	s.inside = bufconn.Listen(1 << 20)
	s.done.Go(func() { _ = s.grpc.Serve(s.inside) })
	conn, err := grpc.NewClient("passthrough:///inside",
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return s.inside.DialContext(ctx) }),
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
	if err != nil {
		return fmt.Errorf("server: in-process door: %w", err)
	}
	s.conn = conn
	s.rooms.sealed.Connect(conn)
	var desk http.Handler
	if s.cfg.Desk != nil {
		form := ""
		if !s.cfg.FormClosed {
			if form, err = s.openForm(); err != nil {
				return err
			}
		}
		if desk, err = s.cfg.Desk(conn, form); err != nil {
			return err
		}
	}
	web, err := webDoor(s.cfg.Log, s.grpc, desk, func() bool { return !s.present.away.Load() })
	if err != nil {
		return err
	}
	s.web = s.limits.known(prompt(filesDoor(s.cfg.Log, conn, web)))
	return nil
}

// openForm makes the principal behind the open report form. Its token lives in
// this process only, and it may do no more than a worker: file.
func (s *Server) openForm() (string, error) {
	token, err := access.NewToken()
	if err != nil {
		return "", err
	}
	s.directory.Lend(access.Principal{Name: formPrincipal, DisplayName: "Report form", Roles: []pb.Role{pb.Role_ROLE_WORKER}}, token)
	return token, nil
}

// Conn returns a connection to the services that does not leave the process.
// Calls over it pass the same gate as any.
func (s *Server) Conn() grpc.ClientConnInterface { return s.conn }

// Directory returns who may use the server.
func (s *Server) Directory() *access.Directory { return s.directory }

// Head returns the end of the log.
func (s *Server) Head(ctx context.Context) (ledger.Head, error) { return s.ledger.Head(ctx) }

// Ready waits until every projection has applied seq.
func (s *Server) Ready(ctx context.Context, seq int64) error {
	for _, p := range s.rooms.projections {
		if err := p.Wait(ctx, seq); err != nil {
			return fmt.Errorf("server: projection %s: %w", p.name, err)
		}
	}
	return nil
}

// GRPCAddr returns the address of the gRPC door, "" when it is closed.
func (s *Server) GRPCAddr() string { return addr(s.grpcListener) }

// WebAddr returns the address of the web door, "" when it is closed.
func (s *Server) WebAddr() string { return addr(s.webListener) }

// MetricsAddr returns the address of the metrics door, "" when it is closed.
func (s *Server) MetricsAddr() string { return addr(s.metricsListener) }

func addr(l net.Listener) string {
	if l == nil {
		return ""
	}
	return l.Addr().String()
}

// Serve serves until ctx ends or something breaks, lets running calls finish,
// and closes everything. An acknowledged write is on disk whatever happens.
func (s *Server) Serve(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var web, calls sync.WaitGroup
	open := func(doors *sync.WaitGroup, l net.Listener, serve func() error) {
		if l == nil {
			return
		}
		doors.Go(func() {
			if err := serve(); err != nil && ctx.Err() == nil {
				s.failed <- err
			}
		})
	}
	open(&calls, s.grpcListener, func() error { return s.grpc.Serve(s.grpcListener) })
	open(&web, s.webListener, func() error { return serveHTTP(ctx, s.webListener, newHTTP(s.web, s.cert), grace) })
	open(&web, s.metricsListener, func() error { return serveHTTP(ctx, s.metricsListener, newHTTP(metricsDoor(s.metrics), nil), grace) })

	var broken error
	select {
	case <-ctx.Done():
	case broken = <-s.failed:
	}
	s.health.Shutdown()
	// Watches would never end by themselves.
	s.endStreams()
	// The web door first: what runs there calls gRPC, which would cut it off.
	stop()
	web.Wait()
	s.stopGRPC()
	calls.Wait()
	return errors.Join(broken, s.close())
}

// stopGRPC lets calls finish for a while, then ends them.
func (s *Server) stopGRPC() {
	stopped := make(chan struct{})
	go func() {
		s.grpc.GracefulStop()
		close(stopped)
	}()
	late := time.NewTimer(grace)
	defer late.Stop()
	select {
	case <-stopped:
	case <-late.C:
		s.grpc.Stop()
		<-stopped
	}
}

// Close closes a server that was opened and never served.
func (s *Server) Close() error {
	s.endStreams()
	if s.grpc != nil {
		s.grpc.Stop()
	}
	return s.close()
}

func (s *Server) close() error {
	var errs []error
	if s.conn != nil {
		errs = append(errs, s.conn.Close())
	}
	if s.grpc != nil {
		s.grpc.Stop()
	}
	if s.following != nil {
		s.following()
	}
	s.done.Wait()
	for _, l := range []net.Listener{s.grpcListener, s.webListener, s.metricsListener} {
		if l != nil {
			if err := l.Close(); err != nil && !errors.Is(err, net.ErrClosed) {
				errs = append(errs, err)
			}
		}
	}
	if s.rooms != nil {
		errs = append(errs, s.rooms.close())
	}
	if s.ledger != nil {
		errs = append(errs, s.ledger.Close())
	}
	return errors.Join(errs...)
}

// tokenKey returns a key for page tokens that lives as long as the server.
func tokenKey() ([]byte, error) {
	key := make([]byte, 32)
	if _, err := rand.Read(key); err != nil {
		return nil, fmt.Errorf("server: random key: %w", err)
	}
	return key, nil
}
