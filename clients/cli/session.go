package cli

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/spf13/pflag"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"fairlead/clients/api"
	"fairlead/clients/cli/page"
)

// session is one command under way.
type session struct {
	env     Env
	page    *page.Page
	running bool // the command was understood

	over        api.Config
	clientFile  string
	json, ascii bool
	timeout     time.Duration

	config api.Config
	client *api.Client
	tree   *tree
	lines  *bufio.Reader // of standard input, once something asked for a line
}

func newSession(env Env) *session {
	p := page.New(env.Out)
	p.Width, p.Bold, p.ASCII = env.Width, env.Bold, env.ASCII
	return &session{env: env, page: p}
}

// close ends the connection.
func (s *session) close() {
	if s.client != nil {
		// Nothing waits on the connection any more.
		_ = s.client.Close()
	}
}

// dial returns the client of the service, and makes it once.
func (s *session) dial() (*api.Client, error) {
	if s.client != nil {
		return s.client, nil
	}
	var err error
	if s.config, err = api.Load(s.clientFile, s.env.Getenv, s.over); err != nil {
		return nil, err
	}
	o := api.Options{Warn: s.warn, NewID: s.env.NewID, Timeout: s.timeout}
	if s.env.CacheDir != "" {
		o.Marks = api.NewFileMark(s.env.CacheDir, s.config.Address)
	}
	if s.client, err = api.Dial(s.config, o); err != nil {
		return nil, err
	}
	return s.client, nil
}

// warn tells the user something beside the answer.
func (s *session) warn(text string) { fmt.Fprintln(s.env.Err, "Note: "+page.Clean(text)) }

// show prints an answer: the message itself with --json, else what text
// writes.
func (s *session) show(m proto.Message, text func(p *page.Page)) error {
	if s.json {
		return s.printJSON(m)
	}
	text(s.page)
	return nil
}

func (s *session) printJSON(m proto.Message) error {
	b, err := jsonOf(m)
	if err != nil {
		return err
	}
	return s.writeJSON(b)
}

// writeJSON prints JSON indented. It is indented here and not by protojson,
// which varies its spaces on purpose.
func (s *session) writeJSON(b []byte) error {
	var out bytes.Buffer
	if err := json.Indent(&out, b, "", "  "); err != nil {
		return fmt.Errorf("cli: indent: %w", err)
	}
	out.WriteByte('\n')
	_, err := s.env.Out.Write(out.Bytes())
	return err
}

// jsonOf encodes a message. A zero is written out, so that a script never has
// to guess whether a missing count is 0; what is not known stays absent.
func jsonOf(m proto.Message) (json.RawMessage, error) {
	b, err := protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(m)
	if err != nil {
		return nil, fmt.Errorf("cli: encode: %w", err)
	}
	return b, nil
}

// secret is a flag that is not shown in help or errors.
type secret struct{ to *api.Secret }

var _ pflag.Value = secret{}

// String shows nothing.
func (s secret) String() string { return "" }

// Set takes the token.
func (s secret) Set(v string) error { *s.to = api.Secret(v); return nil }

// Type names the value in help.
func (s secret) Type() string { return "token" }

// calling returns a client and the context of a command.
func (s *session) calling(ctx context.Context) (context.Context, *api.Client, error) {
	c, err := s.dial()
	return ctx, c, err
}

// writeLine prints JSON on one line.
func (s *session) writeLine(b []byte) error {
	var out bytes.Buffer
	if err := json.Compact(&out, b); err != nil {
		return fmt.Errorf("cli: compact: %w", err)
	}
	out.WriteByte('\n')
	_, err := s.env.Out.Write(out.Bytes())
	return err
}
