package server

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/grpc"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/guard"
	"fairlead/services/signin"
)

// Config says where a server keeps its data and where it listens. The zero
// value is not usable: Data must be set.
type Config struct {
	// Data is the folder that holds everything; made when missing.
	Data string
	// Database is the address of a PostgreSQL database that holds the ledger,
	// shared by any number of servers; empty keeps it in Data. Data then holds
	// what is this server's own: the search index, keys and access.yaml.
	Database string
	// GRPC is the address of the gRPC door, such as localhost:9090.
	GRPC string
	// Web is the address of the web door, such as localhost:8080.
	Web string
	// Metrics is the address of the metrics door; empty closes it.
	Metrics string
	// TLSCert and TLSKey are files with a certificate and its key; with them both
	// doors speak TLS only, and read the files again when they change. Empty:
	// the doors speak in clear text, for this machine or a proxy on it.
	TLSCert, TLSKey string
	// Limits bound what one caller may ask for; the zero value bounds nothing.
	Limits Limits
	// Exposed allows doors without TLS to listen beyond this machine. Tokens
	// then travel in clear text: put a TLS proxy in front.
	Exposed bool
	// Origin is the address of the pages as browsers see it, such as
	// https://fairlead.example, for passkeys and OpenID Connect; empty is that
	// of the web door on this machine, if it is there.
	Origin string
	// OpenID is an OpenID Connect provider that may say who somebody is; nil:
	// none.
	OpenID *signin.Provider
	// Smallest is the least count about persons that is told to whoever does
	// not read the reports; 0 is 5, and less than 3 is not taken.
	Smallest int
	// GoesBy is the convention whose definitions of a case are told to whoever
	// does not read the reports; unset is AS 1885.1.
	GoesBy pb.Convention
	// Codes is a folder with code tables to use instead of the built-in ones;
	// empty uses those.
	Codes string

	// Log gets the server's log; nil discards it.
	Log *slog.Logger
	// Clock gives the time; nil is time.Now.
	Clock func() time.Time
	// Directory knows the principals; nil opens access.yaml in Data.
	Directory *access.Directory
	// Desk makes the pages of the web door from a connection to the services
	// and the token of the open report form ("" when it is closed); nil serves
	// the API alone.
	Desk func(conn grpc.ClientConnInterface, formToken string) (http.Handler, error)
	// FormClosed closes the report form to people who have not signed in.
	FormClosed bool
	// ReadsUnkept lets sensitive answers leave without a record of who read
	// them, for tests that count changes of the log. A house never sets it.
	ReadsUnkept bool
}

// check fills in defaults and refuses what cannot work.
func (c *Config) check() error {
	if c.Data == "" {
		return errors.New("server: data folder: is needed; give --data")
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	if c.Smallest == 0 {
		c.Smallest = guard.Smallest
	}
	if c.Smallest < guard.Floor || c.Smallest > 50 {
		return fmt.Errorf("server: smallest group: must be from %d to 50, not %d", guard.Floor, c.Smallest)
	}
	if c.Clock == nil {
		c.Clock = time.Now
	}
	for name, addr := range map[string]string{"grpc": c.GRPC, "web": c.Web, "metrics": c.Metrics} {
		if addr == "" {
			continue
		}
		host, _, err := net.SplitHostPort(addr)
		if err != nil {
			return fmt.Errorf("server: address of the %s door: %q must be host:port: %w", name, addr, err)
		}
		if ip := net.ParseIP(host); !c.Exposed && (c.TLSCert == "" || name == "metrics") && host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return fmt.Errorf("server: address of the %s door: %q is open to other machines, and tokens would travel in clear text; give --tls-cert and --tls-key, or listen on localhost behind a TLS proxy, or say --exposed", name, addr)
		}
	}
	if (c.TLSCert == "") != (c.TLSKey == "") {
		return errors.New("server: certificate: --tls-cert and --tls-key belong together; give both or none")
	}
	if c.Origin != "" {
		u, err := url.Parse(c.Origin)
		if err != nil || u.Scheme != "https" && u.Hostname() != "localhost" || u.Host == "" || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" || u.User != nil {
			return fmt.Errorf("server: origin: %q must be https:// and the name that browsers use, such as https://fairlead.example", c.Origin)
		}
		c.Origin = u.Scheme + "://" + u.Host
	}
	if err := os.MkdirAll(c.Data, 0o700); err != nil {
		return fmt.Errorf("server: data folder: %w", err)
	}
	return nil
}

func (c *Config) path(name string) string { return filepath.Join(c.Data, name) }
