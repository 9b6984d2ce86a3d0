package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// fileFlags are the flags of `file`, and some of `amend`.
type fileFlags struct {
	kind      enumFlag[pb.ReportKind]
	workplace string
	when      string
	about     bool
	spot      string
	before    string
	done      string
	could     string
	worst     enumFlag[pb.PotentialSeverity]
	damage    string

	mode          enumFlag[pb.TellerMode]
	name, contact string
	role          enumFlag[pb.TellerRole]
	typedForOther bool

	spilt, quantity string
	water           enumFlag[pb.WaterReached]
	steps           string

	hurt   harmFlags
	states []string

	from, requestID string
	check           bool
}

// addStory adds the flags that say what happened.
func (f *fileFlags) addStory(c *cobra.Command) {
	fl := c.Flags()
	fl.Var(&f.kind, "kind", "what kind of thing it was: "+words.Choices[pb.ReportKind]())
	fl.StringVarP(&f.workplace, "workplace", "w", "", `where; "." when not sure`)
	fl.StringVar(&f.when, "when", "", whenHelp)
	fl.BoolVar(&f.about, "about", false, "the time of day is only about right")
	fl.StringVar(&f.spot, "spot", "", "the exact spot: bay, machine, chainage")
	fl.StringVar(&f.before, "before", "", "what people were doing just before")
	fl.StringVar(&f.done, "done", "", "what was done right away")
	fl.StringVar(&f.could, "could", "", "who could have been hurt, and how")
	fl.Var(&f.worst, "worst", "worst that could credibly have come of it: "+words.Choices[pb.PotentialSeverity]())
	fl.StringVar(&f.damage, "damage", "", "what was damaged")
	fl.StringVar(&f.spilt, "spilt", "", "what got out, for a release")
	fl.StringVar(&f.quantity, "quantity", "", `how much got out, such as "20 L"`)
	fl.Var(&f.water, "water", "whether it reached water: "+words.Choices[pb.WaterReached]())
	fl.StringVar(&f.steps, "steps", "", "what was done to contain and clean up")
	fl.StringSliceVar(&f.states, "not-known", nil, "an item that was asked and nobody knew, such as when or spot (again for another)")
}

func (s *session) fileCommand() *cobra.Command {
	f := &fileFlags{}
	c := &cobra.Command{
		Use:   "file [what happened]",
		Short: "File a report of a hazard, near miss, injury, damage or release",
		Long: `File a report. Without any flag, and at a terminal, it asks a few questions.

What happened is given as words, or - to read it from standard input. Who told
may be known to the supervisor and adviser (--teller named), to a named few
(confidential, which it is unless you say otherwise), or to nobody (anonymous).

With --request-id the same command can be sent again, after a lost answer, and
is one report.`,
		Example: `  fairlead file --kind near-miss -w northside --when "2026-03-02 14:30" --worst fatal \
      "The chipper started while the hood was open."
  fairlead file --from report.json`,
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			req, err := s.fileRequest(cmd, f, args)
			if err != nil {
				return err
			}
			c, err := s.dial()
			if err != nil {
				return err
			}
			r, err := c.Reports.FileReport(ctx, req)
			if err != nil {
				return s.notFiled(err, req.GetRequestId())
			}
			return s.show(r, func(p *page.Page) { filed(p, r, req.GetValidateOnly()) })
		},
	}
	f.addStory(c)
	fl := c.Flags()
	fl.Var(&f.mode, "teller", "who may know who told: "+words.Choices[pb.TellerMode]())
	fl.StringVar(&f.name, "name", "", "what to call who told")
	fl.StringVar(&f.contact, "contact", "", "how to reach who told")
	fl.Var(&f.role, "role", "what who told is to the business: "+words.Choices[pb.TellerRole]())
	fl.BoolVar(&f.typedForOther, "typed-for-another", false, "you type what somebody else told")
	fl.StringVar(&f.hurt.description, "hurt", "", "what was hurt, in words; use `harm add` for a second person")
	f.hurt.add(c, "hurt-")
	fl.StringVar(&f.from, "from", "", "read the report (JSON as the contract has it) from this file, or - for standard input")
	fl.StringVar(&f.requestID, "request-id", "", "id of this request, a UUID; the same id again is the same report")
	fl.BoolVar(&f.check, "check", false, "check only; nothing is stored")
	return c
}

// fileRequest makes the request of flags, of a file, or of answers.
func (s *session) fileRequest(cmd *cobra.Command, f *fileFlags, args []string) (*pb.FileReportRequest, error) {
	ctx := cmd.Context()
	given := 0
	for _, name := range storyFlags(cmd) {
		if cmd.Flags().Changed(name) {
			given++
		}
	}
	var req *pb.FileReportRequest
	var err error
	switch {
	case f.from != "" && (given > 0 || len(args) > 0):
		return nil, usagef("--from holds the whole report; leave the other flags out")
	case f.from != "":
		req, err = s.readRequest(f.from)
	case given == 0 && len(args) == 0 && s.env.Asks:
		req, err = s.ask(ctx)
	default:
		req, err = s.requestOf(ctx, cmd, f, args)
	}
	if err != nil {
		return nil, err
	}
	if f.requestID != "" {
		req.RequestId = f.requestID
	}
	if f.check {
		req.ValidateOnly = true
	}
	return req, nil
}

// storyFlags are the flags of a command that say something of the report.
func storyFlags(cmd *cobra.Command) []string {
	var out []string
	other := map[string]bool{"from": true, "request-id": true, "check": true, "help": true, "reason": true, "etag": true}
	cmd.LocalNonPersistentFlags().VisitAll(func(f *pflag.Flag) {
		if !other[f.Name] {
			out = append(out, f.Name)
		}
	})
	return out
}

func (s *session) requestOf(ctx context.Context, cmd *cobra.Command, f *fileFlags, args []string) (*pb.FileReportRequest, error) {
	text, err := s.words(args)
	if err != nil {
		return nil, err
	}
	r := &pb.Report{Narrative: text, TellerMode: f.mode.value, TellerRole: f.role.value, TypedByAnother: f.typedForOther}
	if err := s.story(ctx, cmd, f, r); err != nil {
		return nil, err
	}
	if f.hurt.description != "" || f.hurt.given(cmd, "hurt-") {
		r.Harms = []*pb.Harm{f.hurt.message()}
	}
	req := &pb.FileReportRequest{Report: r}
	if f.name != "" || f.contact != "" {
		req.Teller = &pb.Teller{DisplayName: f.name, Contact: f.contact}
	}
	return req, nil
}

// words joins the arguments, or reads standard input for "-".
func (s *session) words(args []string) (string, error) {
	if len(args) == 1 && args[0] == "-" {
		b, err := io.ReadAll(io.LimitReader(s.env.In, 1<<20))
		if err != nil {
			return "", fmt.Errorf("cli: read standard input: %w", err)
		}
		return strings.TrimSpace(string(b)), nil
	}
	return strings.TrimSpace(strings.Join(args, " ")), nil
}

// story puts what the flags say into a report.
func (s *session) story(ctx context.Context, cmd *cobra.Command, f *fileFlags, r *pb.Report) error {
	r.Kind, r.Spot, r.TaskBefore, r.DoneRightAway = f.kind.value, f.spot, f.before, f.done
	r.WhoCouldBeHurt, r.Potential, r.Damage = f.could, f.worst.value, f.damage
	var err error
	if f.workplace != "" {
		if r.Workplace, err = s.place(ctx, f.workplace); err != nil {
			return err
		}
	}
	if f.when != "" {
		m, err := parseWhen(f.when, f.about, s.zoneOf(ctx, r.GetWorkplace()), s.env.Now())
		if err != nil {
			return usagef("--when: %s", err)
		}
		if m.notKnown {
			f.states = append(f.states, "when")
		}
		r.OccurTime, r.OccurEndTime, r.OccurPrecision = m.start, m.end, m.precision
	}
	if err := f.release(cmd, r); err != nil {
		return err
	}
	for _, item := range f.states {
		if r.Answers == nil {
			r.Answers = map[string]pb.AnswerState{}
		}
		r.Answers[itemName(item)] = pb.AnswerState_ANSWER_STATE_NOT_KNOWN
	}
	return nil
}

// itemName is the name in the contract of what a flag calls otherwise.
func itemName(flag string) string {
	if name, ok := map[string]string{"when": "occur_time", "before": "task_before", "done": "done_right_away",
		"could": "who_could_be_hurt", "worst": "potential", "hurt": "harms", "spilt": "release"}[flag]; ok {
		return name
	}
	return strings.ReplaceAll(flag, "-", "_")
}

func (f *fileFlags) release(cmd *cobra.Command, r *pb.Report) error {
	if f.spilt == "" && f.quantity == "" && !cmd.Flags().Changed("water") && f.steps == "" {
		return nil
	}
	r.Release = &pb.Release{Substance: f.spilt, WaterReached: f.water.value, StepsTaken: f.steps}
	if f.quantity != "" {
		var n float64
		var unit string
		if _, err := fmt.Sscanf(f.quantity, "%g %s", &n, &unit); err != nil {
			return usagef(`--quantity: %q: write a number and a unit, such as "20 L"`, f.quantity)
		}
		r.Release.Quantity, r.Release.QuantityUnit = &n, unit
	}
	return nil
}

// readRequest reads a report, or a whole request, from a file.
func (s *session) readRequest(path string) (*pb.FileReportRequest, error) {
	var b []byte
	var err error
	if path == "-" {
		b, err = io.ReadAll(io.LimitReader(s.env.In, 4<<20))
	} else {
		b, err = os.ReadFile(path)
	}
	if err != nil {
		return nil, err
	}
	b = bytes.TrimPrefix(b, []byte("\xef\xbb\xbf"))
	var top map[string]json.RawMessage
	if err := json.Unmarshal(b, &top); err != nil {
		return nil, failf("%s is not JSON: %s", path, err)
	}
	req := &pb.FileReportRequest{Report: &pb.Report{}}
	if _, whole := top["report"]; whole {
		err = protojson.Unmarshal(b, req)
	} else {
		err = protojson.Unmarshal(b, req.GetReport())
	}
	if err != nil {
		// The message of the decoder names field and line, never a value.
		return nil, failf("%s does not hold a report: %s", path, strings.TrimPrefix(strings.ReplaceAll(err.Error(), "\u00a0", " "), "proto: "))
	}
	return req, nil
}

// notFiled adds to an error how to send the very same report again, when it
// may or may not have been stored.
func (s *session) notFiled(err error, requestID string) error {
	switch status.Code(err) {
	case codes.Unavailable, codes.DeadlineExceeded, codes.Canceled, codes.Unknown:
	default:
		if !errors.Is(err, context.Canceled) {
			return err
		}
	}
	return &failure{text: "The report may not have been stored. Keep what you wrote, and send it again with --request-id " +
		requestID + ": it will be one report either way.", err: err}
}

func filed(p *page.Page, r *pb.FileReportResponse, check bool) {
	rep := r.GetReport()
	if check {
		p.Linef("Nothing wrong with it. Nothing was stored.")
	} else {
		p.Linef("Stored. Code to quote: %s", rep.GetShortCode())
		p.Linef("Report: %s   change %d", rep.GetName(), r.GetSequenceNumber())
		if r.GetReceiptCode() != "" {
			p.Linef("Receipt: %s", r.GetReceiptCode())
			p.Linef("Keep the receipt: with it, and without a name, fairlead receipt shows what came of it. Nobody else has it.")
		}
	}
	for _, n := range r.GetNotes() {
		p.Item(n)
	}
}
