package cli

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"fairlead/clients/cli/page"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// whole is a report with what belongs to it, as far as the caller may see it.
type whole struct {
	report  *pb.Report
	codings *pb.ListCodingsResponse       // nil: not open to the caller
	history *pb.ListReportHistoryResponse // nil: not open to the caller
	files   *pb.ListAttachmentsResponse   // nil: not open to the caller, or long ago
}

func (s *session) showCommand() *cobra.Command {
	past := &pastFlag{}
	c := &cobra.Command{
		Use:   "show REPORT",
		Short: "Show a report, with its codes and history where you may see them",
		Long: `Show a report, with its codes and history where you may see them. With --json
it prints one object with the members report, codings, attachments and history;
a member that is not open to you is left out.`,
		Example: "  fairlead show 7KQ-2MX-4",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			w := whole{}
			as, err := past.read(ctx, s)
			if err != nil {
				return err
			}
			if w.report, err = s.getAsAt(ctx, args[0], as); err != nil {
				return err
			}
			w.codings, err = s.client.Codes.ListCodings(ctx, &pb.ListCodingsRequest{Parent: w.report.GetName(), AsAt: as})
			if err := open(&w.codings, err); err != nil {
				return err
			}
			w.history, err = s.client.Reports.ListReportHistory(ctx, &pb.ListReportHistoryRequest{Name: w.report.GetName(), AsAt: as})
			if err := open(&w.history, err); err != nil {
				return err
			}
			if as == nil {
				w.files, err = s.client.Attachments.ListAttachments(ctx, &pb.ListAttachmentsRequest{Parent: w.report.GetName()})
				if err := open(&w.files, err); err != nil {
					return err
				}
			}
			if s.json {
				return s.wholeJSON(w)
			}
			past.show(s.page)
			s.showReport(ctx, w)
			return nil
		},
	}
	past.add(c)
	return c
}

// open drops an answer that is not open to the caller.
func open[M any](answer **M, err error) error {
	if status.Code(err) == codes.PermissionDenied {
		*answer = nil
		return nil
	}
	return err
}

func (s *session) wholeJSON(w whole) error {
	out := map[string]json.RawMessage{}
	var err error
	if out["report"], err = jsonOf(w.report); err != nil {
		return err
	}
	if w.codings != nil {
		if out["codings"], err = jsonOf(w.codings); err != nil {
			return err
		}
	}
	if w.files != nil {
		if out["attachments"], err = jsonOf(w.files); err != nil {
			return err
		}
	}
	if w.history != nil {
		if out["history"], err = jsonOf(w.history); err != nil {
			return err
		}
	}
	b, err := json.Marshal(out)
	if err != nil {
		return fmt.Errorf("cli: encode: %w", err)
	}
	return s.writeJSON(b)
}

func (s *session) showReport(ctx context.Context, w whole) {
	p, r := s.page, w.report
	zone := s.zoneOf(ctx, r.GetWorkplace())
	p.Strong(fmt.Sprintf("%s: %s at %s, %s", r.GetShortCode(), words.Of(r.GetKind()), words.Short(r.GetWorkplace()), occurred(r, zone)))
	if r.GetState() == pb.ReportState_REPORT_STATE_VOIDED {
		p.Strong("Voided: " + r.GetVoidReason())
	}
	received := ""
	if r.GetReceiveTime() != nil {
		received = ", received " + dayWords(r.GetReceiveTime().AsTime().In(zone))
	}
	p.Linef("%s, version %s%s", r.GetName(), r.GetEtag(), received)
	if o := r.GetOrigin(); o != nil {
		p.Linef("Imported from %s, record %s", o.GetDataset(), o.GetSourceId())
		if o.GetTitle() != "" {
			p.Para("Title there: "+o.GetTitle(), 0)
		}
	}
	p.Heading("What happened")
	p.Para(r.GetNarrative(), 0)
	p.Blank()
	for _, f := range []struct{ name, item, value string }{
		{"Where exactly", "spot", r.GetSpot()}, {"Just before", "task_before", r.GetTaskBefore()},
		{"Done right away", "done_right_away", r.GetDoneRightAway()}, {"Who could be hurt", "who_could_be_hurt", r.GetWhoCouldBeHurt()},
		{"Worst credible", "potential", potential(r.GetPotential())}, {"Damaged", "damage", r.GetDamage()},
		{"Got out", "release", release(r.GetRelease())},
		{"Day", "occur_time", ""},
	} {
		st := r.GetAnswers()[f.item]
		switch {
		case f.value != "":
			p.Para(f.name+": "+f.value, 0)
		case st == pb.AnswerState_ANSWER_STATE_NOT_KNOWN, st == pb.AnswerState_ANSWER_STATE_DOES_NOT_APPLY:
			p.Para(f.name+": "+words.Of(st), 0)
		}
	}
	p.Para("Who told: "+teller(r), 0)
	s.showHarms(r)
	s.showAttachments(w.files)
	s.showCodings(w.codings)
	s.showHistory(w.history, zone)
}

func potential(v pb.PotentialSeverity) string {
	if v == 0 {
		return ""
	}
	return words.Of(v)
}

func teller(r *pb.Report) string {
	t := words.Of(r.GetTellerMode())
	if r.GetTellerRole() != 0 {
		t += ", " + words.Of(r.GetTellerRole())
	}
	if r.GetTypedByAnother() {
		t += ", typed by another"
	}
	return t
}

func release(r *pb.Release) string {
	if r == nil {
		return ""
	}
	var parts []string
	what := r.GetSubstance()
	if r.Quantity != nil {
		what = strings.TrimSpace(page.Rate(r.GetQuantity()) + " " + r.GetQuantityUnit() + " " + what)
	}
	if what != "" {
		parts = append(parts, what)
	}
	if r.GetWaterReached() != 0 {
		parts = append(parts, "reached water: "+words.Of(r.GetWaterReached()))
	}
	if r.GetStepsTaken() != "" {
		parts = append(parts, r.GetStepsTaken())
	}
	if len(parts) == 0 {
		return "not described"
	}
	return strings.Join(parts, "; ")
}

func (s *session) showHarms(r *pb.Report) {
	if len(r.GetHarms()) == 0 {
		return
	}
	s.page.Heading("People hurt")
	for _, h := range r.GetHarms() {
		line := h.GetHarmId() + ": " + words.Of(h.GetOutcome())
		if h.GetOutcome() == 0 {
			line = h.GetHarmId() + ": outcome not recorded"
		}
		for _, x := range []string{slugOr(h.GetEmploymentGroup()), slugOr(h.GetAgeBand()), slugOr(h.GetTreatment()), words.Short(h.GetPerson())} {
			if x != "" {
				line += ", " + x
			}
		}
		s.page.Para(line, 2)
		if h.GetDescription() != "" {
			s.page.Para(h.GetDescription(), 6)
		}
		for _, o := range h.GetOutcomeHistory() {
			text := words.Of(o.GetOutcome())
			if o.GetEffectiveDate() != "" {
				text += " from " + o.GetEffectiveDate()
			}
			if o.GetReason() != "" {
				text += ": " + o.GetReason()
			}
			s.page.Para("- "+text, 6)
		}
		for _, a := range h.GetAbsences() {
			s.page.Para("- away "+span(a), 6)
		}
		for _, a := range h.GetRestrictions() {
			s.page.Para("- restricted duties "+span(a), 6)
		}
	}
}

func slugOr[E words.Enum](e E) string {
	if e == 0 {
		return ""
	}
	return words.Of(e)
}

func span(a *pb.Absence) string {
	t := "from " + a.GetFirstDate()
	if a.GetReturnDate() == "" {
		t += ", not back yet"
	} else {
		t += ", back on " + a.GetReturnDate()
	}
	if a.RosteredDays != nil {
		t += fmt.Sprintf(", %d rostered days", a.GetRosteredDays())
	}
	return t
}

func (s *session) showCodings(l *pb.ListCodingsResponse) {
	if len(l.GetCodings()) == 0 {
		return
	}
	titles := map[string]string{}
	for _, c := range l.GetCodes() {
		titles[fmt.Sprint(c.GetFacet(), c.GetCode())] = c.GetTitle()
		titles[c.GetCode()] = c.GetTitle()
	}
	for _, c := range l.GetCodings() {
		of := "the report"
		if c.GetHarmId() != "" {
			of = c.GetHarmId()
		}
		s.page.Heading("Codes of " + of + " (" + c.GetEdition() + ", " + words.Of(c.GetOrigin()) + ")")
		var rows [][]string
		for _, f := range facetsOf(c) {
			title := titles[fmt.Sprint(f.facet, f.code)]
			if title == "" {
				title = titles[f.code]
			}
			rows = append(rows, []string{"  " + words.Of(f.facet), f.code, title})
		}
		s.page.Table([]page.Column{{}, {}, {}}, rows)
		if c.GetNote() != "" {
			s.page.Para("Note: "+c.GetNote(), 2)
		}
		for _, k := range slices.Sorted(keys(c.GetSourceCodes())) {
			s.page.Para("From "+k+": "+c.GetSourceCodes()[k], 2)
		}
	}
}

func (s *session) showHistory(h *pb.ListReportHistoryResponse, zone *time.Location) {
	if h == nil {
		return
	}
	s.page.Heading("History")
	var rows [][]string
	for _, e := range h.GetEntries() {
		what := e.GetVerb()
		if e.GetReason() != "" {
			what += ": " + e.GetReason()
		}
		if len(e.GetChangedFields()) > 0 {
			what += " (" + strings.Join(e.GetChangedFields(), ", ") + ")"
		}
		rows = append(rows, []string{fmt.Sprint(e.GetSequenceNumber()), e.GetChangeTime().AsTime().In(zone).Format("2006-01-02 15:04"), words.Short(e.GetActor()), what})
	}
	s.page.Table([]page.Column{{Head: "change", Right: true}, {Head: "when"}, {Head: "who"}, {Head: "what"}}, rows)
}
