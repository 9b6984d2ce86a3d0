package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"fairlead/services/server"
)

// TestReadProvider: what names a provider is read, and a slip in it is told.
func TestReadProvider(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	write := func(name, text string, mode os.FileMode) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text), mode))
		require.NoError(t, os.Chmod(path, mode))
		return path
	}
	write("secret.txt", "kept apart\n", 0o600)
	write("open.txt", "seen by all\n", 0o644)
	p, err := readProvider(write("good.yaml", "title: shire account\nissuer: https://login.example\nclient_id: fairlead\nclient_secret_file: secret.txt\n", 0o644))
	require.NoError(t, err)
	require.Equal(t, "kept apart", p.Secret)
	require.Equal(t, "shire account", p.Title)
	for text, words := range map[string]string{
		"":                                "issuer",
		"issuer: http://login.example\n":  "https://",
		"issuer: https://login.example\n": "client_id",
		"issuer: https://login.example\nclient_id: x\nclient_secret_file: open.txt\n": "chmod 600",
		"issuer: https://login.example\nclient_id: x\nclient_secret_file: no.txt\n":   "client_secret_file",
		"issuer: https://login.example\nclient_id: x\nclient_secret: typed here\n":    "one a line",
	} {
		_, err := readProvider(write("bad.yaml", text, 0o644))
		require.ErrorContains(t, err, words, text)
		require.NotContains(t, err.Error(), "seen by all")
	}
	_, err = settled(server.Config{}, filepath.Join(dir, "none.yaml"))
	require.ErrorContains(t, err, "provider file")
	cfg, err := settled(server.Config{Limits: server.DefaultLimits()}, "")
	require.NoError(t, err)
	require.Equal(t, 500, cfg.Limits.Principal.Burst)
}
