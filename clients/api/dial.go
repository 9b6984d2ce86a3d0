package api

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
)

// maxReceive bounds one answer: a page of 500 reports of 20,000 characters, or
// a summary as PDF, fits well within it.
const maxReceive = 64 << 20

// Dial returns a client of the service at c.Address. It does not wait for the
// service: the first call does. Close the client when done.
func Dial(c Config, o Options) (*Client, error) {
	t, err := resolve(c)
	if err != nil {
		return nil, err
	}
	transport := insecure.NewCredentials()
	if t.tls {
		tc := &tls.Config{MinVersion: tls.VersionTLS12}
		if c.CAFile != "" {
			if tc.RootCAs, err = pool(c.CAFile); err != nil {
				return nil, err
			}
		}
		transport = credentials.NewTLS(tc)
	}
	options := []grpc.DialOption{
		grpc.WithTransportCredentials(transport),
		grpc.WithDisableServiceConfig(), // retries are decided here, not by DNS
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxReceive)),
		grpc.WithUserAgent("fairlead-client"),
	}
	if c.Token != "" {
		options = append(options, grpc.WithPerRPCCredentials(bearer{token: c.Token, secure: t.tls}))
	}
	conn, err := grpc.NewClient(t.address, options...)
	if err != nil {
		return nil, fmt.Errorf("api: dial %s: %w", c.Address, err)
	}
	client := New(conn, o)
	client.close = conn.Close
	return client, nil
}

// target is where and how to dial.
type target struct {
	address string
	tls     bool
}

// resolve checks a configuration. TLS is used unless the service is on the
// same machine or plaintext is asked for.
func resolve(c Config) (target, error) {
	address, local, err := locate(c.Address)
	if err != nil {
		return target{}, err
	}
	secure := c.TLS || c.CAFile != ""
	switch {
	case secure && c.Plaintext:
		return target{}, errors.New("tls and plaintext are both asked for; leave one of them out")
	case !local && !c.Plaintext:
		secure = true
	case !local && c.Token != "" && !c.Insecure:
		return target{}, fmt.Errorf("the token would travel to %s in plain text, for everyone on the way to read; leave --plaintext out, or add --insecure if you accept that", c.Address)
	}
	return target{address: address, tls: secure}, nil
}

// locate turns an address into a gRPC target and says whether it is on the
// same machine.
func locate(address string) (grpcTarget string, local bool, err error) {
	if path, ok := strings.CutPrefix(address, "unix:"); ok {
		if path == "" {
			return "", false, errors.New("address unix: names no socket; write unix:/path/to/socket")
		}
		return address, true, nil
	}
	if strings.Contains(address, "/") {
		return "", false, fmt.Errorf("address %q: write host:port, such as %s, without a scheme or path", address, DefaultAddress)
	}
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		host, port = strings.Trim(address, "[]"), "9090"
	}
	if host == "" || port == "" || strings.ContainsAny(host, " \t") {
		return "", false, fmt.Errorf("address %q: write host:port, such as %s", address, DefaultAddress)
	}
	if strings.Contains(host, ":") {
		if _, err := netip.ParseAddr(host); err != nil {
			return "", false, fmt.Errorf("address %q: write host:port, such as %s", address, DefaultAddress)
		}
	}
	ip, err := netip.ParseAddr(host)
	local = strings.EqualFold(host, "localhost") || (err == nil && ip.IsLoopback())
	return "dns:///" + net.JoinHostPort(host, port), local, nil
}

func pool(path string) (*x509.CertPool, error) {
	pem, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("ca file: %w", err)
	}
	p := x509.NewCertPool()
	if !p.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("ca file %s: holds no certificate in PEM form", path)
	}
	return p, nil
}

// bearer sends the token with every call.
type bearer struct {
	token  Secret
	secure bool
}

// GetRequestMetadata returns the header.
func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + b.token.Reveal()}, nil
}

// RequireTransportSecurity makes gRPC itself refuse to send the token over
// anything but TLS, once TLS was decided.
func (b bearer) RequireTransportSecurity() bool { return b.secure }
