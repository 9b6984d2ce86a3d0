package api

import "log/slog"

// Secret is a text that must not be printed: an access token.
type Secret string

const hidden = "(hidden)"

// String hides the secret.
func (s Secret) String() string {
	if s == "" {
		return ""
	}
	return hidden
}

// GoString hides the secret from %#v.
func (s Secret) GoString() string { return s.String() }

// LogValue hides the secret from logs.
func (s Secret) LogValue() slog.Value { return slog.StringValue(s.String()) }

// MarshalText hides the secret from JSON and the like.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Reveal returns the secret itself, for the one place that sends it.
func (s Secret) Reveal() string { return string(s) }
