package server

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"log/slog"
	"net"
	"os"
	"sync"
	"time"

	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
)

// certificate is the certificate of the doors, read again when its files change.
type certificate struct {
	certFile, keyFile string
	log               *slog.Logger

	mu     sync.Mutex
	now    *tls.Certificate
	as     [2]stamp // the files as they were read, or refused
	looked time.Time
}

// stamp tells one state of a file from another.
type stamp struct {
	at   time.Time
	size int64
}

// look is how often the files are looked at.
const look = time.Second

// readCertificate reads the certificate for the first time.
func readCertificate(certFile, keyFile string, log *slog.Logger) (*certificate, error) {
	c := &certificate{certFile: certFile, keyFile: keyFile, log: log, looked: time.Now()}
	c.as = c.stamps()
	var err error
	if c.now, err = c.read(); err != nil {
		return nil, fmt.Errorf("server: certificate: %w; give --tls-cert and --tls-key, both in PEM form", err)
	}
	return c, nil
}

func (c *certificate) stamps() (out [2]stamp) {
	for i, f := range []string{c.certFile, c.keyFile} {
		if info, err := os.Stat(f); err == nil {
			out[i] = stamp{info.ModTime(), info.Size()}
		}
	}
	return out
}

// read reads the files. Two that do not belong together, or a certificate that
// is over, are refused.
func (c *certificate) read() (*tls.Certificate, error) {
	pair, err := tls.LoadX509KeyPair(c.certFile, c.keyFile)
	if err != nil {
		return nil, err
	}
	if pair.Leaf == nil {
		if pair.Leaf, err = x509.ParseCertificate(pair.Certificate[0]); err != nil {
			return nil, err
		}
	}
	if time.Now().After(pair.Leaf.NotAfter) {
		return nil, fmt.Errorf("it ended on %s; ask for a new one", pair.Leaf.NotAfter.Format(time.DateOnly))
	}
	return &pair, nil
}

// get returns the certificate for a connection. Files that cannot be used leave
// the one before in force, and that is logged once.
func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if time.Since(c.looked) < look {
		return c.now, nil
	}
	c.looked = time.Now()
	as := c.stamps()
	if as == c.as {
		return c.now, nil
	}
	c.as = as
	next, err := c.read()
	if err != nil {
		// Half of a pair may have been written so far; the other half changes
		// the stamps again.
		c.log.Error("the new certificate cannot be used; the one before stays in force", "cause", err, "until", c.now.Leaf.NotAfter)
		return c.now, nil
	}
	c.log.Info("a new certificate is in force", "until", next.Leaf.NotAfter)
	c.now = next
	return c.now, nil
}

// config returns how the doors speak TLS: version 1.2 at least.
func (c *certificate) config(protocols ...string) *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: c.get, NextProtos: protocols}
}

// doorCredentials speak TLS at the door and plainly within the process.
type doorCredentials struct {
	credentials.TransportCredentials
	within credentials.TransportCredentials
}

func newDoorCredentials(c *certificate) credentials.TransportCredentials {
	return doorCredentials{credentials.NewTLS(c.config("h2")), insecure.NewCredentials()}
}

// ServerHandshake implements credentials.TransportCredentials.
func (d doorCredentials) ServerHandshake(conn net.Conn) (net.Conn, credentials.AuthInfo, error) {
	if conn.LocalAddr().Network() == "bufconn" {
		return d.within.ServerHandshake(conn)
	}
	return d.TransportCredentials.ServerHandshake(conn)
}

// Clone implements credentials.TransportCredentials.
func (d doorCredentials) Clone() credentials.TransportCredentials {
	return doorCredentials{d.TransportCredentials.Clone(), d.within.Clone()}
}
