package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"fairlead/clients/desk"
	"fairlead/clients/tablet"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/demo"
	"fairlead/services/server"
)

func runCommand() *cobra.Command {
	var cfg server.Config
	var isDemo, quiet bool
	var openid string
	cmd := &cobra.Command{
		Use:   "run",
		Short: "Serve pages and programs until told to stop",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			level := new(slog.LevelVar)
			if quiet {
				level.Set(slog.LevelWarn)
			}
			cfg.Log = slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), &slog.HandlerOptions{Level: level}))
			var err error
			if cfg, err = settled(cfg, openid); err != nil {
				return err
			}
			cfg.Desk = func(conn grpc.ClientConnInterface, formToken string) (http.Handler, error) {
				return pages(conn, formToken, cfg, isDemo)
			}
			if isDemo {
				if cfg.Database != "" {
					return errors.New("--demo keeps its invented shire in --data; leave --database and FAIRLEAD_DATABASE out")
				}
				return runDemo(cmd.Context(), cfg, cmd.OutOrStdout(), level)
			}
			return run(cmd.Context(), cfg, cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	dataFlag(cmd, &cfg.Data)
	databaseFlag(cmd, &cfg.Database)
	f.StringVar(&cfg.GRPC, "grpc", env("FAIRLEAD_GRPC", "localhost:9090"), "address for programs (env FAIRLEAD_GRPC)")
	f.StringVar(&cfg.Web, "web", env("FAIRLEAD_WEB", "localhost:8080"), "address for pages and REST (env FAIRLEAD_WEB)")
	f.StringVar(&cfg.Metrics, "metrics", env("FAIRLEAD_METRICS", ""), "address for metrics; empty: none (env FAIRLEAD_METRICS)")
	f.StringVar(&cfg.Codes, "codes", env("FAIRLEAD_CODES", ""), "folder with code tables to use instead of the built-in ones (env FAIRLEAD_CODES)")
	signInFlags(cmd, &cfg, &openid)
	f.IntVar(&cfg.Smallest, "smallest-group", 5, "least count about persons that is told to whoever does not read the reports, from 3 to 50")
	f.Var((*conventionFlag)(&cfg.GoesBy), "convention", "definitions of a case that are told to whoever does not read the reports: "+conventionNames())
	f.BoolVar(&cfg.Exposed, "exposed", false, "allow addresses that other machines reach also without a certificate; put a TLS proxy in front")
	f.BoolVar(&isDemo, "demo", false, "an invented shire with 36 months of reports, and sign-in for everybody")
	f.BoolVar(&cfg.FormClosed, "form-closed", false, "only people who have signed in may use the report form")
	f.BoolVar(&quiet, "quiet", false, "log only what needs somebody")
	return cmd
}

// tabletFile is a file in the data folder with what the house tells its tablets:
// the numbers of the emergency card, and where the tablets are.
const tabletFile = "tablet.json"

// pages are what people look at: the desk, and the tablet's app beside it.
func pages(conn grpc.ClientConnInterface, formToken string, cfg server.Config, isDemo bool) (http.Handler, error) {
	settings, err := tablet.ReadSettings(filepath.Join(cfg.Data, tabletFile))
	if err != nil {
		return nil, err
	}
	if isDemo && settings.Home == "" {
		settings = demoSettings
	}
	app, err := tablet.Handler(conn, tablet.Options{FormToken: formToken, Settings: settings, Clock: cfg.Clock})
	if err != nil {
		return nil, err
	}
	rest, err := desk.Handler(conn, desk.Options{FormToken: formToken, Clock: cfg.Clock, Demo: doors(isDemo)})
	if err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	mux.Handle("/tablet/", app)
	mux.Handle("/", rest)
	return mux, nil
}

// demoSettings are those of a tablet at the invented shire's Northside depot;
// the numbers are of the range that is kept free for stories.
var demoSettings = tablet.Settings{
	Home: "workplaces/northside",
	Card: tablet.Card{
		Numbers: []tablet.Number{{Who: "Northside depot supervisor", Number: "0491 570 006"}, {Who: "Safety adviser", Number: "0491 570 156"}},
		Radio:   "Channel 12, call sign Northside",
		Place:   "Northside depot, 14 Works Lane, gate on the river side",
	},
}

// run serves real data. The first start makes the first principal and shows
// its token once.
func run(ctx context.Context, cfg server.Config, out io.Writer) error {
	if _, err := os.Stat(filepath.Join(cfg.Data, demoMark)); err == nil {
		return fmt.Errorf("%s holds demonstration data; use another folder for real reports", cfg.Data)
	}
	s, err := server.Open(ctx, cfg)
	if err != nil {
		return err
	}
	if s.Directory().Empty() {
		token, err := s.Directory().Add(access.Principal{
			Name: "principals/first", DisplayName: "First principal",
			Roles: []pb.Role{pb.Role_ROLE_ADVISER, pb.Role_ROLE_ADMINISTRATOR}})
		if err != nil {
			return errors.Join(err, s.Close())
		}
		code, err := firstCode(ctx, s, token)
		if err != nil {
			return errors.Join(err, s.Close())
		}
		if code != "" {
			fmt.Fprintf(out, "\nFirst start. Sign in on the pages as `first`: open \"Set your password\"\nand use this code, once, within twenty minutes:\n\n    %s\n", code)
		}
		fmt.Fprintf(out, "\n%s access token is for programs; it is shown once and kept nowhere, so write it\ndown or take it out again with `fairlead-server access remove first`:\n\n    %s\n\nBoth may do what an adviser and an administrator may. Add people on the pages;\nprograms with `fairlead-server access add`.\n", opening(code), token)
	}
	where(out, s, cfg)
	return s.Serve(ctx)
}

// opening begins the sentence about the token.
func opening(code string) string {
	if code == "" {
		return "First start. This"
	}
	return "This"
}

// demoMark is a file that says that a data folder is a demonstration, and with
// which end of time it was made, so that an interrupted start goes on.
const demoMark = "demonstration.txt"

// runDemo serves the demonstration, and makes it first where it is not there.
// level is the log's: four thousand calls of the making would bury the lines
// that say where to look.
func runDemo(ctx context.Context, cfg server.Config, out io.Writer, level *slog.LevelVar) error {
	clock := &demo.Clock{}
	cfg.Clock = clock.Now
	cfg.Directory = demoDirectory()
	mark := filepath.Join(cfg.Data, demoMark)
	text, err := os.ReadFile(mark)
	if errors.Is(err, os.ErrNotExist) {
		for _, real := range []string{ledgerFile, "access.yaml"} {
			if _, err := os.Stat(filepath.Join(cfg.Data, real)); err == nil {
				return fmt.Errorf("%s holds data that is not a demonstration; choose another folder with --data", cfg.Data)
			}
		}
		if err := os.MkdirAll(cfg.Data, 0o700); err != nil {
			return err
		}
		text = []byte(time.Now().UTC().Format(time.RFC3339) + " unfinished")
		if err := os.WriteFile(mark, text, 0o600); err != nil {
			return err
		}
	} else if err != nil {
		return err
	}
	end, unfinished := strings.CutSuffix(strings.TrimSpace(string(text)), " unfinished")
	now, err := time.Parse(time.RFC3339, end)
	if err != nil {
		return fmt.Errorf("%s does not say when the demonstration was made; delete the folder and start again: %w", mark, err)
	}
	if unfinished {
		// Until the world is made, time stands at its beginning: the log
		// never goes back.
		clock.Set(now.AddDate(0, -demo.Months-2, 0))
	}
	s, err := server.Open(ctx, cfg)
	if err != nil {
		return err
	}
	if unfinished {
		fmt.Fprintln(out, "Making Brindle Range Shire: 210 invented people, 36 months. This takes a little while, once.")
		asked := level.Level()
		level.Set(max(asked, slog.LevelWarn))
		n, err := (&demo.Seeder{Conn: s.Conn(), Clock: clock, Seed: demo.DefaultSeed, Now: now}).Run(ctx)
		if err != nil && ctx.Err() != nil {
			fmt.Fprintln(out, "Stopped while it was being made; the next start goes on.")
			return s.Close()
		}
		if err != nil {
			return errors.Join(err, s.Close())
		}
		if err := os.WriteFile(mark, []byte(end), 0o600); err != nil {
			return errors.Join(err, s.Close())
		}
		level.Set(asked)
		fmt.Fprintf(out, "Made: %d workplaces, %d people, %d reports, %d codings, %d rows of hours.\n", n.Workplaces, n.People, n.Reports, n.Codings, n.HoursRows)
	}
	// Said in one piece: whoever reads up to the last line of where has it all.
	var said strings.Builder
	where(&said, s, cfg)
	fmt.Fprintf(&said, `
Demonstration: every name and number is invented. Sign in on the page as any
role, or give a program the token of a role:

    export FAIRLEAD_TOKEN=%s
    bin/fairlead find "reversed without a spotter"
    bin/fairlead rates --workplace . --months 12

Tokens: %s
`, demo.Token("adviser"), strings.Join(demoTokens(), " "))
	fmt.Fprint(out, said.String())
	return s.Serve(ctx)
}

// doors are the ways in that the demonstration's sign-in page offers.
func doors(isDemo bool) []desk.DemoDoor {
	if !isDemo {
		return nil
	}
	var out []desk.DemoDoor
	for _, w := range access.RoleWords() {
		out = append(out, desk.DemoDoor{Words: w, Token: demo.Token(w)})
	}
	return out
}

func demoTokens() []string {
	var out []string
	for _, w := range access.RoleWords() {
		out = append(out, demo.Token(w))
	}
	return out
}

// demoDirectory knows one principal per role; the supervisor sees Northside
// only, so that the narrowing can be seen.
func demoDirectory() *access.Directory {
	d := access.NewDirectory()
	for _, word := range access.RoleWords() {
		role, _ := access.ParseRole(word)
		p := access.Principal{Name: "principals/demo-" + word, DisplayName: "Demonstration " + word, Roles: []pb.Role{role}}
		if role == pb.Role_ROLE_SUPERVISOR {
			p.Workplaces = []string{"workplaces/northside"}
		}
		if err := d.AddWithToken(p, demo.Token(word)); err != nil {
			// The names are constants that a test has tried.
			panic(err)
		}
	}
	return d
}

// where says where to look. A door that is closed is not named.
func where(out io.Writer, s *server.Server, cfg server.Config) {
	fmt.Fprintln(out)
	scheme, sort := "http", "gRPC, with reflection"
	if cfg.TLSCert != "" {
		scheme, sort = "https", "gRPC by TLS, with reflection"
	}
	if web := s.WebAddr(); web != "" {
		fmt.Fprintf(out, "Pages:     %[1]s://%[2]s/\nTablets:   %[1]s://%[2]s/tablet/\nREST:      %[1]s://%[2]s/v1/\n", scheme, web)
	}
	if programs := s.GRPCAddr(); programs != "" {
		fmt.Fprintf(out, "Programs:  %s (%s)\n", programs, sort)
	}
	if metrics := s.MetricsAddr(); metrics != "" {
		fmt.Fprintf(out, "Metrics:   http://%s/metrics\n", metrics)
	}
	fmt.Fprintln(out, "Stop with Ctrl-C; nothing acknowledged is lost.")
}
