package api_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fairlead/clients/api"
)

// certificate makes a certificate for 127.0.0.1 and a file with it as the only
// authority.
func certificate(t *testing.T) (caFile string, cert *tls.Certificate) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	caFile = filepath.Join(t.TempDir(), "ca.pem")
	require.NoError(t, os.WriteFile(caFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	return caFile, &tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
}

func TestDialRefuses(t *testing.T) {
	t.Parallel()
	notPEM := filepath.Join(t.TempDir(), "x")
	require.NoError(t, os.WriteFile(notPEM, []byte("x"), 0o600))
	for name, c := range map[string]struct {
		config api.Config
		want   string // empty: accepted
	}{
		"same machine":                       {api.Config{Address: "localhost:9090", Token: "t"}, ""},
		"same machine by number":             {api.Config{Address: "127.1.2.3:9090", Token: "t"}, ""},
		"same machine, v6":                   {api.Config{Address: "[::1]:9090", Token: "t"}, ""},
		"same machine, v6 without a port":    {api.Config{Address: "::1", Token: "t"}, ""},
		"host without a port":                {api.Config{Address: "localhost", Token: "t"}, ""},
		"socket":                             {api.Config{Address: "unix:/run/fairlead.sock", Token: "t"}, ""},
		"elsewhere is TLS":                   {api.Config{Address: "depot.example:9090", Token: "t"}, ""},
		"elsewhere in plain text, no token":  {api.Config{Address: "depot.example:9090", Plaintext: true}, ""},
		"elsewhere in plain text, insecure":  {api.Config{Address: "depot.example:9090", Plaintext: true, Token: "t", Insecure: true}, ""},
		"elsewhere in plain text, token":     {api.Config{Address: "depot.example:9090", Plaintext: true, Token: "t"}, "--insecure"},
		"private address in plain text":      {api.Config{Address: "192.168.1.4:9090", Plaintext: true, Token: "t"}, "plain text"},
		"a name that only begins like local": {api.Config{Address: "localhost.example:9090", Plaintext: true, Token: "t"}, "plain text"},
		"both":                               {api.Config{Address: "localhost", Plaintext: true, TLS: true}, "leave one of them out"},
		"a web address":                      {api.Config{Address: "https://depot.example"}, "without a scheme"},
		"no host":                            {api.Config{Address: ":9090"}, "host:port"},
		"empty":                              {api.Config{}, "host:port"},
		"three colons":                       {api.Config{Address: "a:b:c"}, "host:port"},
		"an empty socket":                    {api.Config{Address: "unix:"}, "names no socket"},
		"no such authority":                  {api.Config{Address: "depot.example", CAFile: "/no/such/file"}, "ca file"},
		"an authority that is not PEM":       {api.Config{Address: "depot.example", CAFile: notPEM}, "no certificate"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			cl, err := api.Dial(c.config, api.Options{})
			if c.want == "" {
				require.NoError(t, err)
				require.NoError(t, cl.Close())
				return
			}
			require.ErrorContains(t, err, c.want)
		})
	}
}

func TestLoad(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write := func(name, text string, mode os.FileMode) string {
		p := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(p, []byte(text), mode))
		require.NoError(t, os.Chmod(p, mode))
		return p
	}
	full := write("full", "address: depot.example:9090\ntoken: filetoken\nca_file: /etc/ca.pem\n", 0o600)
	env := func(m map[string]string) func(string) string { return func(k string) string { return m[k] } }
	none := env(nil)

	c, err := api.Load(filepath.Join(dir, "absent"), none, api.Config{})
	require.NoError(t, err)
	require.Equal(t, api.Config{Address: api.DefaultAddress}, c)

	c, err = api.Load(full, none, api.Config{})
	require.NoError(t, err)
	require.Equal(t, api.Config{Address: "depot.example:9090", Token: "filetoken", CAFile: "/etc/ca.pem"}, c)

	c, err = api.Load(full, env(map[string]string{api.EnvToken: "envtoken"}), api.Config{})
	require.NoError(t, err)
	require.Equal(t, api.Secret("envtoken"), c.Token)

	c, err = api.Load(full, env(map[string]string{api.EnvToken: "envtoken"}), api.Config{Token: "flagtoken", Insecure: true})
	require.NoError(t, err)
	require.Equal(t, api.Secret("flagtoken"), c.Token)
	require.True(t, c.Insecure)

	c, err = api.Load(full, none, api.Config{Address: "other.example:9090"})
	require.NoError(t, err)
	require.Equal(t, api.Config{Address: "other.example:9090"}, c, "a token is for the address it stands with")

	c, err = api.Load(write("comment", "# nothing yet\n", 0o644), none, api.Config{})
	require.NoError(t, err)
	require.Equal(t, api.DefaultAddress, c.Address)

	_, err = api.Load(write("unknown", "adress: x\ntoken: s3cret\n", 0o600), none, api.Config{})
	require.ErrorContains(t, err, "cannot be read")
	require.NotContains(t, err.Error(), "s3cret")

	if runtime.GOOS != "windows" {
		_, err = api.Load(write("open", "token: s3cret\n", 0o644), none, api.Config{})
		require.ErrorContains(t, err, "chmod 600")
		_, err = api.Load(write("open-no-token", "address: x\n", 0o644), none, api.Config{})
		require.NoError(t, err)
	}
}
