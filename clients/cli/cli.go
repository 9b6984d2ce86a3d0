package cli

import (
	"context"
	"errors"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"golang.org/x/term"
)

// Exit codes.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
)

// Env is the world around a command.
type Env struct {
	// In, Out and Err are the three streams.
	In       io.Reader
	Out, Err io.Writer
	// Asks is true when somebody sits at In; Bold when somebody looks at Out.
	Asks, Bold bool
	// Width is how many columns Out has.
	Width int
	// ASCII is true when Out shows nothing else.
	ASCII bool
	// Getenv reads the environment.
	Getenv func(string) string
	// ClientFile is the configuration of the client, CacheDir a folder for
	// what may be lost.
	ClientFile, CacheDir string
	// Now is the clock, NewID mints ids.
	Now   func() time.Time
	NewID func() string
}

// Main runs the command of this process and returns its exit code.
func Main() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	// The first Ctrl-C asks a command to stop; a second one need not ask.
	context.AfterFunc(ctx, stop)
	return Run(ctx, System(), os.Args[1:])
}

// System returns the world of this process.
func System() Env {
	e := Env{In: os.Stdin, Out: os.Stdout, Err: os.Stderr, Width: 80, Getenv: os.Getenv, Now: time.Now,
		NewID: func() string { return uuid.Must(uuid.NewV7()).String() }}
	e.Asks = term.IsTerminal(int(os.Stdin.Fd())) && term.IsTerminal(int(os.Stderr.Fd()))
	if fd := int(os.Stdout.Fd()); term.IsTerminal(fd) {
		e.Bold = os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb"
		if w, _, err := term.GetSize(fd); err == nil && w >= 40 {
			e.Width = min(w, 120)
		}
	}
	e.ASCII = !unicodeLocale(os.Getenv)
	config := os.Getenv("XDG_CONFIG_HOME")
	if home, err := os.UserHomeDir(); config == "" && err == nil {
		config = filepath.Join(home, ".config")
	}
	if config != "" {
		e.ClientFile = filepath.Join(config, "fairlead", "client.yaml")
	}
	if cache, err := os.UserCacheDir(); err == nil {
		e.CacheDir = filepath.Join(cache, "fairlead")
	}
	return e
}

// unicodeLocale reports whether the locale says UTF-8. Where no locale is set
// at all, as on Windows and in many containers, Unicode is the better guess.
func unicodeLocale(getenv func(string) string) bool {
	for _, k := range []string{"LC_ALL", "LC_CTYPE", "LANG"} {
		if v := getenv(k); v != "" {
			v = strings.ToLower(v)
			return strings.Contains(v, "utf-8") || strings.Contains(v, "utf8")
		}
	}
	return true
}

// Run runs one command and returns its exit code.
func Run(ctx context.Context, env Env, args []string) int {
	s := newSession(env)
	defer s.close()
	root := s.root()
	root.SetArgs(args)
	root.SetIn(env.In)
	root.SetOut(env.Out)
	root.SetErr(env.Err)
	err := root.ExecuteContext(ctx)
	if ferr := s.page.Flush(); err == nil {
		err = ferr
	}
	if err == nil {
		return exitDone
	}
	var usage *usageError
	if !s.running || errors.As(err, &usage) {
		s.sayUsage(err)
		return exitUsage
	}
	s.sayFailed(err)
	return exitFailed
}

// usageError says that the command was not understood.
type usageError struct{ err error }

// Error is what was not understood.
func (e *usageError) Error() string { return e.err.Error() }

// Unwrap returns the cause.
func (e *usageError) Unwrap() error { return e.err }

func (s *session) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "fairlead",
		Short: "Report, find and learn from incidents, hazards and near misses",
		Long: `Report, find and learn from incidents, hazards and near misses.

This is not an emergency call. If someone needs help now, ring for help.

The service is named by --address, FAIRLEAD_ADDRESS, or ~/.config/fairlead/client.yaml
(address, token, tls, ca_file, plaintext); your access token by FAIRLEAD_TOKEN or
the same file, which must be yours alone (chmod 600).

A workplace is written by its id, such as northside; "." is the whole tree. A
report is written by its short code, such as 7KQ-2MX-4, or its id.`,
		Example: `  fairlead file --kind near-miss --workplace northside "The chipper started while the hood was open."
  fairlead find "reversing tanker" --since 2026-01
  fairlead rates --workplace northside --months 12
  fairlead chart frequency_rate --workplace northside`,
		SilenceErrors: true,
		SilenceUsage:  true,
		PersistentPreRunE: func(*cobra.Command, []string) error {
			s.running = true
			s.page.ASCII = s.page.ASCII || s.ascii
			return nil
		},
	}
	f := root.PersistentFlags()
	f.StringVar(&s.over.Address, "address", "", "address of the service, host:port")
	f.Var(secret{&s.over.Token}, "token", "access token (others on this machine may see it here: prefer FAIRLEAD_TOKEN or the client file)")
	f.BoolVar(&s.over.TLS, "tls", false, "use TLS also on the same machine")
	f.StringVar(&s.over.CAFile, "ca-file", "", "trust the authorities in this PEM file")
	f.BoolVar(&s.over.Plaintext, "plaintext", false, "use no TLS (the default on the same machine)")
	f.BoolVar(&s.over.Insecure, "insecure", false, "let the token travel in plain text over a network")
	f.StringVar(&s.clientFile, "client-file", s.env.ClientFile, "configuration of the client")
	f.BoolVar(&s.json, "json", false, "print the answer as JSON, as the contract defines it")
	f.BoolVar(&s.ascii, "ascii", false, "print ASCII only")
	f.DurationVar(&s.timeout, "timeout", 30*time.Second, "most time for one call")
	root.AddCommand(
		s.fileCommand(), s.showCommand(), s.findCommand(), s.listCommand(),
		s.amendCommand(), s.voidCommand(), s.harmCommand(), s.outcomeCommand(), s.absenceCommand(), s.codeCommand(), s.tellerCommand(), s.askCommand(), s.receiptCommand(), s.mineCommand(), s.keepersCommand(), s.readsCommand(), s.attachCommand(),
		s.hoursCommand(), s.ratesCommand(), s.measuresCommand(), s.chartCommand(), s.tableCommand(), s.causesCommand(), s.exportCommand(), s.compareCommand(),
		s.importCommand(), s.workplacesCommand(), s.peopleCommand(), s.tabletsCommand(), s.whoamiCommand(), s.logCommand(), s.checkpointCommand(), s.retentionCommand(), s.holdCommand(), s.eraseCommand(), s.computeCommand(),
	)
	return root
}
