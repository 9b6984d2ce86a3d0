package postgres

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

const (
	// connectFor is how long one attempt to connect may take.
	connectFor = 5 * time.Second
	// lockFor is how long a writer waits for the others, and idleFor how long
	// one may hold them up by doing nothing.
	lockFor = 10 * time.Second
	idleFor = 8 * time.Second
	// silence is how long a writer's statement may go without a word from the
	// server before the connection counts as lost. TCP alone would wait for a
	// quarter of an hour.
	silence = time.Minute
)

// IsAddress says whether a string names a PostgreSQL database and not a folder.
func IsAddress(s string) bool {
	return strings.HasPrefix(s, "postgres://") || strings.HasPrefix(s, "postgresql://")
}

// errAddress says no more than that: what cannot be read may be a password in
// the wrong place.
var errAddress = errors.New("ledger: the address of the database cannot be read: it must look like postgres://user@host:5432/database, with special characters in a password written as %40 and so on")

// parse reads an address. What is not in it comes from the usual variables and
// files of PostgreSQL clients (PGPASSWORD, PGPASSFILE, ~/.pgpass).
func parse(address string) (*pgx.ConnConfig, error) {
	if !IsAddress(address) {
		return nil, errAddress
	}
	cfg, err := pgx.ParseConfig(address)
	if err != nil {
		return nil, errAddress
	}
	if cfg.ConnectTimeout == 0 {
		cfg.ConnectTimeout = connectFor
	}
	// Prepared statements, whatever the address says.
	cfg.DefaultQueryExecMode = pgx.QueryExecModeCacheStatement
	cfg.RuntimeParams["search_path"] = Schema
	if cfg.RuntimeParams["application_name"] == "" {
		cfg.RuntimeParams["application_name"] = "fairlead"
	}
	return cfg, nil
}

// Where tells which database an address names, without user and password.
func Where(address string) string {
	cfg, err := parse(address)
	if err != nil {
		return "a database whose address cannot be read"
	}
	return fmt.Sprintf("database %s at %s", cfg.Database, net.JoinHostPort(cfg.Host, strconv.Itoa(int(cfg.Port))))
}

// forReading returns the configuration of connections that only read.
func forReading(cfg *pgx.ConnConfig) *pgx.ConnConfig {
	c := cfg.Copy()
	c.RuntimeParams["default_transaction_read_only"] = "on"
	return c
}

// forWriting returns the configuration of the connection that writes.
func forWriting(cfg *pgx.ConnConfig) *pgx.ConnConfig {
	c := cfg.Copy()
	c.RuntimeParams["lock_timeout"] = strconv.FormatInt(lockFor.Milliseconds(), 10)
	c.RuntimeParams["idle_in_transaction_session_timeout"] = strconv.FormatInt(idleFor.Milliseconds(), 10)
	c.DialFunc = impatiently(cfg.DialFunc)
	return c
}

// impatiently makes connections on which a read gives up after a silence.
func impatiently(dial pgconn.DialFunc) pgconn.DialFunc {
	return func(ctx context.Context, network, addr string) (net.Conn, error) {
		c, err := dial(ctx, network, addr)
		if err != nil {
			return nil, err
		}
		return &impatient{Conn: c}, nil
	}
}

type impatient struct {
	net.Conn
	mu sync.Mutex
	// theirs says that the driver has set a deadline of its own.
	theirs bool
}

// SetDeadline implements net.Conn.
func (c *impatient) SetDeadline(t time.Time) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.theirs = !t.IsZero()
	return c.Conn.SetDeadline(t)
}

// Read implements net.Conn.
func (c *impatient) Read(b []byte) (int, error) {
	if err := c.arm(); err != nil {
		return 0, err
	}
	return c.Conn.Read(b)
}

func (c *impatient) arm() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.theirs {
		return nil
	}
	return c.Conn.SetReadDeadline(time.Now().Add(silence))
}
