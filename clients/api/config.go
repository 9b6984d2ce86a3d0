package api

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"
	"strings"

	"gopkg.in/yaml.v3"
)

// Names of the environment variables that a client reads.
const (
	EnvAddress = "FAIRLEAD_ADDRESS"
	EnvToken   = "FAIRLEAD_TOKEN"
)

// DefaultAddress is where a service on the same machine listens.
const DefaultAddress = "localhost:9090"

// Config says which service to talk to and how.
type Config struct {
	// Address is host:port, host (port 9090), or unix:/path/to/socket.
	Address string
	// Token is the access token; empty for none.
	Token Secret
	// TLS asks for TLS also on the same machine, where it is not needed.
	TLS bool
	// CAFile names a PEM file with the authorities to trust instead of those
	// of the system. It implies TLS.
	CAFile string
	// Plaintext asks for no TLS. On the same machine that is the default.
	Plaintext bool
	// Insecure allows a token to travel in plain text over a network.
	Insecure bool
}

// file is the shape of client.yaml.
type file struct {
	Address   string `yaml:"address"`
	Token     string `yaml:"token"`
	TLS       bool   `yaml:"tls"`
	CAFile    string `yaml:"ca_file"`
	Plaintext bool   `yaml:"plaintext"`
}

// Load reads the configuration of a client: the file, which need not be there,
// then the environment, then over (a non-empty Address or Token, and every
// true switch). A token in the file is meant for the address in the file: it
// is not used for another one.
func Load(path string, getenv func(string) string, over Config) (Config, error) {
	c, err := readFile(path)
	if err != nil {
		return Config{}, err
	}
	fromFile := c.Address
	pick := func(values ...string) string {
		for _, v := range values {
			if v != "" {
				return v
			}
		}
		return ""
	}
	c.Address = pick(over.Address, getenv(EnvAddress), c.Address, DefaultAddress)
	if fromFile != "" && fromFile != c.Address {
		// Another house: neither the key nor the lock of the first one.
		c = Config{Address: c.Address}
	}
	c.Token = Secret(pick(over.Token.Reveal(), getenv(EnvToken), c.Token.Reveal()))
	c.CAFile = pick(over.CAFile, c.CAFile)
	c.TLS = c.TLS || over.TLS
	c.Plaintext = (c.Plaintext && !over.TLS) || over.Plaintext
	c.Insecure = over.Insecure
	return c, nil
}

func readFile(path string) (Config, error) {
	if path == "" {
		return Config{}, nil
	}
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return Config{}, nil
	}
	if err != nil {
		return Config{}, fmt.Errorf("client file: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return Config{}, fmt.Errorf("client file: %w", err)
	}
	var raw file
	d := yaml.NewDecoder(f)
	d.KnownFields(true)
	if err := d.Decode(&raw); err != nil && !errors.Is(err, io.EOF) {
		// The message of the decoder could quote the token.
		return Config{}, fmt.Errorf("client file %s: cannot be read; it may hold address, token, tls, ca_file and plaintext, one a line, such as `address: localhost:9090`", path)
	}
	if raw.Token != "" && runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0 {
		return Config{}, fmt.Errorf("client file %s: holds a token that others on this machine can read; run: chmod 600 %s", path, path)
	}
	return Config{Address: strings.TrimSpace(raw.Address), Token: Secret(raw.Token), TLS: raw.TLS,
		CAFile: raw.CAFile, Plaintext: raw.Plaintext}, nil
}
