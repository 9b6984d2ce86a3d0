package server

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"log/slog"
	"math/big"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
)

// pair writes a self-signed certificate for localhost and returns it.
func pair(t *testing.T, dir string, serial int64, ends time.Time) *x509.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "localhost"}, DNSNames: []string{"localhost"},
		NotBefore: time.Now().Add(-2 * time.Hour), NotAfter: ends, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	require.NoError(t, err)
	raw, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	write := func(name, kind string, der []byte) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600))
	}
	write("cert.pem", "CERTIFICATE", der)
	write("key.pem", "PRIVATE KEY", raw)
	cert, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	return cert
}

// TestTLS: both doors speak TLS and nothing else, from 1.2 on, with the headers
// that belong to it; the pages go on calling from within.
func TestTLS(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	cert := pair(t, dir, 1, time.Now().Add(time.Hour))
	roots := x509.NewCertPool()
	roots.AddCert(cert)
	desk := func(conn grpc.ClientConnInterface, _ string) (http.Handler, error) {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			_, err := pb.NewSignInServiceClient(conn).GetSignInWays(r.Context(), &pb.GetSignInWaysRequest{})
			_, _ = io.WriteString(w, status.Code(err).String())
		}), nil
	}
	s := serve(t, Config{Data: t.TempDir(), GRPC: "localhost:0", Web: "localhost:0", Desk: desk,
		TLSCert: filepath.Join(dir, "cert.pem"), TLSKey: filepath.Join(dir, "key.pem")})

	get := func(version uint16, url string) (*http.Response, string, error) {
		c := &http.Client{Transport: &http.Transport{ForceAttemptHTTP2: true, TLSClientConfig: &tls.Config{RootCAs: roots, ServerName: "localhost", MaxVersion: version}}}
		defer c.CloseIdleConnections()
		resp, err := c.Get(url)
		if err != nil {
			return nil, "", err
		}
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		return resp, string(body), err
	}
	resp, body, err := get(tls.VersionTLS13, "https://"+s.WebAddr()+"/")
	require.NoError(t, err)
	require.Equal(t, "OK", body)
	require.Equal(t, 2, resp.ProtoMajor)
	require.Equal(t, "max-age=63072000", resp.Header.Get("Strict-Transport-Security"))
	_, _, err = get(tls.VersionTLS12, "https://"+s.WebAddr()+"/")
	require.NoError(t, err)
	_, _, err = get(tls.VersionTLS11, "https://"+s.WebAddr()+"/")
	require.Error(t, err)
	resp, _, err = get(0, "http://"+s.WebAddr()+"/")
	require.NoError(t, err)
	require.Equal(t, http.StatusBadRequest, resp.StatusCode, "in clear nothing is served")

	call := func(creds credentials.TransportCredentials) error {
		conn, err := grpc.NewClient("passthrough:///"+s.GRPCAddr(), grpc.WithTransportCredentials(creds))
		require.NoError(t, err)
		defer conn.Close()
		_, err = pb.NewSignInServiceClient(conn).GetSignInWays(t.Context(), &pb.GetSignInWaysRequest{})
		return err
	}
	require.NoError(t, call(credentials.NewTLS(&tls.Config{RootCAs: roots, ServerName: "localhost"})))
	require.Equal(t, codes.Unavailable, status.Code(call(insecure.NewCredentials())))
	ways, err := pb.NewSignInServiceClient(s.Conn()).GetSignInWays(t.Context(), &pb.GetSignInWaysRequest{})
	require.NoError(t, err)
	require.True(t, ways.GetPasskeys())
}

// serve opens a server and serves until the test ends.
func serve(t *testing.T, cfg Config) *Server {
	t.Helper()
	s, err := Open(t.Context(), cfg)
	require.NoError(t, err)
	done := make(chan error, 1)
	go func() { done <- s.Serve(t.Context()) }()
	t.Cleanup(func() { require.NoError(t, <-done) }) // the test's context has ended
	return s
}

// TestCertificateReload: new files are in force without a restart; files that
// cannot be used are not, and it is said once.
func TestCertificateReload(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	var log bytes.Buffer
	pair(t, dir, 1, time.Now().Add(time.Hour))
	c, err := readCertificate(filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem"), slog.New(slog.NewTextHandler(&log, nil)))
	require.NoError(t, err)
	serial := func() int64 {
		c.looked = time.Time{}
		got, err := c.get(nil)
		require.NoError(t, err)
		return got.Leaf.SerialNumber.Int64()
	}
	require.EqualValues(t, 1, serial())
	pair(t, dir, 22, time.Now().Add(time.Hour))
	require.EqualValues(t, 22, serial())
	old, err := os.ReadFile(filepath.Join(dir, "key.pem"))
	require.NoError(t, err)
	for _, bad := range []string{"", "not PEM", string(old[:100])} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "key.pem"), []byte(bad), 0o600))
		require.EqualValues(t, 22, serial())
	}
	n := bytes.Count(log.Bytes(), []byte("stays in force"))
	require.Equal(t, 3, n)
	serial()
	require.Equal(t, n, bytes.Count(log.Bytes(), []byte("stays in force")), "said once for each change")
	require.NotContains(t, log.String(), "BEGIN")
	require.NoError(t, os.Remove(filepath.Join(dir, "cert.pem")))
	require.EqualValues(t, 22, serial())
	pair(t, dir, 3, time.Now().Add(-time.Minute)) // over already
	require.EqualValues(t, 22, serial())
	pair(t, dir, 4444, time.Now().Add(time.Hour))
	require.EqualValues(t, 4444, serial())

	for _, cfg := range []Config{
		{TLSCert: filepath.Join(dir, "cert.pem")},
		{TLSCert: filepath.Join(dir, "no.pem"), TLSKey: filepath.Join(dir, "key.pem")},
		{Origin: "http://fairlead.example"}, {Origin: "https://fairlead.example/desk"}, {Origin: "javascript:alert(1)"}, {Origin: "https://a@b"},
	} {
		cfg.Data = t.TempDir()
		s, err := Open(t.Context(), cfg)
		require.Error(t, err)
		require.Nil(t, s)
	}
	s, err := Open(t.Context(), Config{Data: t.TempDir(), Web: "0.0.0.0:0"})
	require.ErrorContains(t, err, "--tls-cert")
	require.Nil(t, s)
}
