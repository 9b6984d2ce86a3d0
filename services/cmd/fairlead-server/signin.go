package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"gopkg.in/yaml.v3"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server"
	"fairlead/services/signin"
)

// signInFlags are those of TLS, of the address of the pages, of the provider
// and of what one caller may ask for.
func signInFlags(cmd *cobra.Command, cfg *server.Config, openid *string) {
	cfg.Limits = server.DefaultLimits()
	f := cmd.Flags()
	f.StringVar(&cfg.TLSCert, "tls-cert", env("FAIRLEAD_TLS_CERT", ""), "file with the certificate of both doors, PEM; read again when it changes (env FAIRLEAD_TLS_CERT)")
	f.StringVar(&cfg.TLSKey, "tls-key", env("FAIRLEAD_TLS_KEY", ""), "file with its key (env FAIRLEAD_TLS_KEY)")
	f.StringVar(&cfg.Origin, "origin", env("FAIRLEAD_ORIGIN", ""), "address of the pages as browsers see it, such as https://fairlead.example; for passkeys and OpenID Connect (env FAIRLEAD_ORIGIN)")
	f.StringVar(openid, "openid", env("FAIRLEAD_OPENID", ""), "file that names an OpenID Connect provider: title, issuer, client_id, client_secret_file (env FAIRLEAD_OPENID)")
	f.Float64Var(&cfg.Limits.Principal.PerSecond, "calls-principal", cfg.Limits.Principal.PerSecond, "calls a second that one principal may make; ten times as many at once; 0: no bound")
	f.Float64Var(&cfg.Limits.Device.PerSecond, "calls-device", cfg.Limits.Device.PerSecond, "calls a second that one tablet may make; 0: no bound")
	f.Float64Var(&cfg.Limits.Address.PerSecond, "calls-address", cfg.Limits.Address.PerSecond, "calls and pages a second for one network address; 0: no bound")
	f.IntVar(&cfg.Limits.Uploads, "uploads", cfg.Limits.Uploads, "files that one principal or tablet may send at once; 0: no bound")
}

// burst is how many calls there may be at once, for how many there may be over
// time.
const burst = 10

// settled returns the configuration with what the flags imply.
func settled(cfg server.Config, openid string) (server.Config, error) {
	for _, r := range []*server.Rate{&cfg.Limits.Principal, &cfg.Limits.Device, &cfg.Limits.Address} {
		r.Burst = max(1, int(r.PerSecond*burst))
	}
	if openid == "" {
		return cfg, nil
	}
	p, err := readProvider(openid)
	if err != nil {
		return cfg, err
	}
	p.Log = cfg.Log
	cfg.OpenID = p
	return cfg, nil
}

// readProvider reads the file that names an OpenID Connect provider. The secret
// lies in a file of its own, so that this one may be shown.
func readProvider(path string) (*signin.Provider, error) {
	raw, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("provider file: %w", err)
	}
	var file struct {
		Title      string `yaml:"title"`
		Issuer     string `yaml:"issuer"`
		ClientID   string `yaml:"client_id"`
		SecretFile string `yaml:"client_secret_file"`
	}
	d := yaml.NewDecoder(strings.NewReader(string(raw)))
	d.KnownFields(true)
	if err := d.Decode(&file); err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("provider file %s: may hold title, issuer, client_id and client_secret_file, one a line: %w", path, err)
	}
	local := strings.HasPrefix(file.Issuer, "http://localhost:") || strings.HasPrefix(file.Issuer, "http://127.0.0.1:")
	if !local && !strings.HasPrefix(file.Issuer, "https://") {
		return nil, fmt.Errorf("provider file %s: issuer: must be the https:// address of the provider", path)
	}
	if file.ClientID == "" {
		return nil, fmt.Errorf("provider file %s: client_id: is needed; the provider gives it", path)
	}
	p := &signin.Provider{Title: file.Title, Issuer: file.Issuer, ClientID: file.ClientID}
	if file.SecretFile == "" {
		return p, nil
	}
	if !filepath.IsAbs(file.SecretFile) {
		file.SecretFile = filepath.Join(filepath.Dir(path), file.SecretFile)
	}
	info, err := os.Stat(file.SecretFile)
	if err == nil && info.Mode().Perm()&fs.FileMode(0o077) != 0 {
		return nil, fmt.Errorf("provider file %s: client_secret_file: others on this machine can read it; run: chmod 600 %s", path, file.SecretFile)
	}
	secret, err2 := os.ReadFile(file.SecretFile)
	if err := errors.Join(err, err2); err != nil {
		return nil, fmt.Errorf("provider file %s: client_secret_file: %w", path, err)
	}
	p.Secret = strings.TrimSpace(string(secret))
	return p, nil
}

// firstCode makes the first principal of the house, who signs in on the pages,
// and the code for the first password. It returns "" when another server of the
// same house has done so.
func firstCode(ctx context.Context, s *server.Server, token string) (string, error) {
	ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
	_, err := pb.NewPrincipalServiceClient(s.Conn()).CreatePrincipal(ctx, &pb.CreatePrincipalRequest{Principal: &pb.Principal{
		Name: "principals/first", DisplayName: "First principal", SignInName: "first",
		Grants: []*pb.Grant{{Role: pb.Role_ROLE_ADVISER}, {Role: pb.Role_ROLE_ADMINISTRATOR}}}})
	if status.Code(err) == codes.AlreadyExists {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("first principal: %w", err)
	}
	made, err := pb.NewSignInServiceClient(s.Conn()).MakeSignInCode(ctx, &pb.MakeSignInCodeRequest{Principal: "principals/first"})
	if err != nil {
		return "", fmt.Errorf("first sign-in code: %w", err)
	}
	return made.GetCode(), nil
}
