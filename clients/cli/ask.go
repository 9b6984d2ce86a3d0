package cli

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// asker puts questions to somebody at a terminal.
type asker struct {
	ctx context.Context // of the one command that asks
	in  *bufio.Reader
	out io.Writer
}

func (a *asker) line(prompt string) (string, error) {
	fmt.Fprint(a.out, prompt)
	type answer struct {
		text string
		err  error
	}
	// Reading from a terminal cannot be interrupted: it is left behind when
	// the command is.
	got := make(chan answer, 1)
	go func() {
		text, err := a.in.ReadString('\n')
		got <- answer{text, err}
	}()
	select {
	case <-a.ctx.Done():
	case r := <-got:
		if r.err == nil || (r.text != "" && errors.Is(r.err, io.EOF)) {
			return strings.TrimSpace(r.text), nil
		}
	}
	fmt.Fprintln(a.out)
	return "", failf("Stopped before the end. Nothing was sent.")
}

// choose offers numbered answers; first is the answer to an empty line, or 0
// for none.
func (a *asker) choose(question string, answers []string, first int) (int, error) {
	fmt.Fprintf(a.out, "\n%s\n", question)
	for i, t := range answers {
		fmt.Fprintf(a.out, "  %d  %s\n", i+1, t)
	}
	for {
		prompt := "> "
		if first > 0 {
			prompt = fmt.Sprintf("[%d] > ", first)
		}
		text, err := a.line(prompt)
		if err != nil {
			return 0, err
		}
		if text == "" && first > 0 {
			return first - 1, nil
		}
		var n int
		if _, err := fmt.Sscanf(text, "%d", &n); err == nil && n >= 1 && n <= len(answers) {
			return n - 1, nil
		}
		fmt.Fprintf(a.out, "Type a number from 1 to %d.\n", len(answers))
	}
}

// story reads lines up to an empty one.
func (a *asker) story(question string, needed bool) (string, error) {
	fmt.Fprintf(a.out, "\n%s\n(an empty line ends it)\n", question)
	for {
		var lines []string
		for {
			l, err := a.line("> ")
			if err != nil {
				return "", err
			}
			if l == "" {
				break
			}
			lines = append(lines, l)
		}
		if text := strings.Join(lines, "\n"); text != "" || !needed {
			return text, nil
		}
		fmt.Fprintln(a.out, "Please say it in a few words.")
	}
}

// ask makes a report of questions, in the order of a shared tablet: who may
// know comes before anything is typed.
func (s *session) ask(ctx context.Context) (*pb.FileReportRequest, error) {
	t, err := s.workplaces(ctx)
	if err != nil {
		return nil, err
	}
	a := &asker{ctx: ctx, in: bufio.NewReader(s.env.In), out: s.env.Err}
	fmt.Fprintln(a.out, "This is not an emergency call. If someone needs help now, ring for help.")
	r := &pb.Report{}
	req := &pb.FileReportRequest{Report: r}
	for _, step := range []func() error{
		func() error { return askTeller(a, req) },
		func() error { return askKind(a, r) },
		func() error { return askPlace(a, r, t) },
		func() error { return s.askWhen(a, r, t) },
		func() (err error) { r.Narrative, err = a.story("What happened?", true); return err },
		func() error { return askWorst(a, r) },
		func() (err error) { r.DoneRightAway, err = a.story("What was done right away?", false); return err },
	} {
		if err := step(); err != nil {
			return nil, err
		}
	}
	n, err := a.choose("Send it?", []string{"Send", "Do not send"}, 0)
	if err != nil {
		return nil, err
	}
	if n != 0 {
		return nil, failf("Nothing was sent.")
	}
	return req, nil
}

func askTeller(a *asker, req *pb.FileReportRequest) error {
	n, err := a.choose("Who may know that it was you?", []string{
		"Only a named few (confidential)", "My supervisor and the adviser", "Nobody. Nothing that could tell is kept"}, 1)
	if err != nil {
		return err
	}
	req.Report.TellerMode = []pb.TellerMode{pb.TellerMode_TELLER_MODE_CONFIDENTIAL, pb.TellerMode_TELLER_MODE_NAMED,
		pb.TellerMode_TELLER_MODE_ANONYMOUS}[n]
	if req.Report.TellerMode == pb.TellerMode_TELLER_MODE_ANONYMOUS {
		return nil
	}
	name, err := a.line("\nWhat may we call you? (empty to leave it open)\n> ")
	if err == nil && name != "" {
		req.Teller = &pb.Teller{DisplayName: name}
	}
	return err
}

func askKind(a *asker, r *pb.Report) error {
	n, err := a.choose("What kind of thing was it?", []string{
		"A hazard: something that could hurt someone or do damage",
		"A near miss: it happened, and nobody was hurt",
		"Someone was hurt or made ill",
		"Something was damaged",
		"Something got out: into ground, water, drain or air",
		"Not sure"}, 0)
	r.Kind = pb.ReportKind(n + 1)
	return err
}

func askPlace(a *asker, r *pb.Report, t *tree) error {
	if len(t.order) == 0 {
		return failf("There is no workplace yet; ask whoever looks after the service to add one.")
	}
	var names, titles []string
	for _, w := range t.order {
		if w.GetCloseTime() == nil {
			names = append(names, w.GetName())
			titles = append(titles, page.Clean(w.GetTitle())+"  ("+words.Short(w.GetName())+")")
		}
	}
	n, err := a.choose("Where did it happen? (not sure: the whole organisation)", titles, 0)
	if err != nil {
		return err
	}
	r.Workplace = names[n]
	r.Spot, err = a.line("\nWhere exactly? Bay, machine, chainage (empty to leave it open)\n> ")
	return err
}

func (s *session) askWhen(a *asker, r *pb.Report, t *tree) error {
	zone, _ := t.zone(r.GetWorkplace())
	for {
		text, err := a.line("\nWhen was it? today, yesterday, 2026-03-02, \"2026-03-02 14:30\", or not sure\n> ")
		if err != nil {
			return err
		}
		if strings.HasPrefix(strings.ToLower(text), "not") || text == "" {
			text = "not-known"
		}
		m, err := parseWhen(text, false, zone, s.env.Now())
		if err != nil {
			fmt.Fprintln(a.out, err)
			continue
		}
		r.OccurTime, r.OccurEndTime, r.OccurPrecision = m.start, m.end, m.precision
		if m.notKnown {
			r.Answers = map[string]pb.AnswerState{"occur_time": pb.AnswerState_ANSWER_STATE_NOT_KNOWN}
		}
		return nil
	}
}

func askWorst(a *asker, r *pb.Report) error {
	n, err := a.choose("What is the worst that could have come of it?", []string{
		"First aid at most", "Time off work", "Lasting injury or illness", "Death", "Not sure"}, 5)
	if err != nil {
		return err
	}
	if n < 4 {
		r.Potential = pb.PotentialSeverity(n + 1)
		return nil
	}
	if r.Answers == nil {
		r.Answers = map[string]pb.AnswerState{}
	}
	r.Answers["potential"] = pb.AnswerState_ANSWER_STATE_NOT_KNOWN
	return nil
}
