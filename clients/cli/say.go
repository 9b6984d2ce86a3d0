package cli

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/grpc/codes"

	"fairlead/clients/api"
	"fairlead/clients/cli/page"
)

// failure is an error that says itself what to do; it is printed as it is.
type failure struct {
	text string
	err  error
}

// Error is what to print.
func (f *failure) Error() string { return f.text }

// Unwrap returns the cause.
func (f *failure) Unwrap() error { return f.err }

func failf(format string, args ...any) error { return &failure{text: fmt.Sprintf(format, args...)} }

func usagef(format string, args ...any) error { return &usageError{fmt.Errorf(format, args...)} }

// sayUsage prints why a command was not understood.
func (s *session) sayUsage(err error) {
	fmt.Fprintln(s.env.Err, "Not understood: "+page.Clean(err.Error()))
	fmt.Fprintln(s.env.Err, "Add --help to any command to see how it is used.")
}

// sayFailed prints why a command failed: what happened, and what to do next.
func (s *session) sayFailed(err error) {
	if s.json {
		if st, ok := api.StatusOf(err); ok {
			if b, jerr := jsonOf(st.Proto()); jerr == nil {
				fmt.Fprintln(s.env.Err, string(b))
				return
			}
		}
	}
	for _, l := range s.explain(err) {
		fmt.Fprintln(s.env.Err, page.Clean(l))
	}
}

// explain returns the lines that explain an error.
func (s *session) explain(err error) []string {
	var own *failure
	if errors.As(err, &own) && own.err == nil {
		return []string{own.text}
	}
	if errors.Is(err, context.Canceled) {
		return []string{"Stopped."}
	}
	p, ok := api.ProblemOf(err)
	if !ok {
		return []string{err.Error()}
	}
	var out []string
	if own != nil {
		out = append(out, own.text)
	}
	switch p.Code {
	case codes.InvalidArgument:
		out = append(out, "Not accepted. Mend this and try again:")
		for _, l := range p.Lines() {
			out = append(out, "  "+l)
		}
		return out
	case codes.Canceled:
		return append(out, "Stopped.")
	case codes.Unauthenticated:
		out = append(out, sentence(p.Message))
		if s.config.Token == "" {
			out = append(out, "No access token was given. Set "+api.EnvToken+", or put it into "+s.clientFile+".")
		}
		return out
	case codes.Unavailable:
		if p.Reason == "" {
			return append(out, fmt.Sprintf("No answer from %s: %s", s.config.Address, why(p.Message)))
		}
	case codes.DeadlineExceeded:
		return append(out, fmt.Sprintf("No answer from %s within %s. Try again, or give it more time with --timeout.", s.config.Address, s.timeout))
	case codes.Unimplemented:
		return append(out, "The service at "+s.config.Address+" does not know this call: it is older than this program, or not a Fairlead service.")
	}
	out = append(out, sentence(p.Message))
	if len(p.Violations) > 0 && p.Violations[0].Cure != p.Message {
		out = append(out, p.Lines()...)
	}
	return out
}

// why shortens what gRPC says about a connection to its cause.
func why(message string) string {
	message = strings.ReplaceAll(message, `"`, "")
	switch {
	case strings.Contains(message, "first record does not look like a TLS handshake"):
		return "it speaks no TLS; on a network you trust, add --plaintext"
	case strings.Contains(message, "x509:") || strings.Contains(message, "certificate"):
		return "its certificate is not trusted (" + message[max(0, strings.LastIndex(message, "x509:")):] + ")" + "; name the authority with --ca-file if it is your own"
	case strings.Contains(message, "connection refused"):
		return "nothing listens there; is fairlead-server running?"
	case strings.Contains(message, "no such host") || strings.Contains(message, "name resolver"):
		return "there is no machine of that name"
	case strings.Contains(message, "error reading server preface"):
		return "it does not speak gRPC; is that the web port, or does it want TLS (--tls)?"
	}
	return message
}

func sentence(s string) string {
	if s == "" {
		return s
	}
	if first, _, _ := strings.Cut(s, " "); !strings.ContainsAny(first, "/_:.") {
		// Names of resources and fields keep their case.
		s = strings.ToUpper(s[:1]) + s[1:]
	}
	if !strings.HasSuffix(s, ".") {
		s += "."
	}
	return s
}
