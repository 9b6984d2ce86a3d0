package receipts

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/wrapperspb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// worked are the verbs by which somebody of the house works on a report.
var worked = map[string]bool{record.VerbAmend: true, record.VerbAddHarm: true, record.VerbOutcome: true, record.VerbAbsence: true, record.VerbCode: true}

// sentences say where a report stands.
var sentences = map[pb.ProgressStage]string{
	pb.ProgressStage_PROGRESS_STAGE_RECEIVED:     "It is received. Nobody has written down yet that they began to work on it.",
	pb.ProgressStage_PROGRESS_STAGE_MADE_SAFE:    "The place was made safe for now.",
	pb.ProgressStage_PROGRESS_STAGE_IN_HAND:      "Somebody is working on it.",
	pb.ProgressStage_PROGRESS_STAGE_DECIDED:      "It is decided what will be done.",
	pb.ProgressStage_PROGRESS_STAGE_DONE:         "What was decided is done.",
	pb.ProgressStage_PROGRESS_STAGE_NOTHING_DONE: "Nothing will be done; why is said below.",
	pb.ProgressStage_PROGRESS_STAGE_VOIDED:       "It was taken out of the figures, such as a report that came twice. It is kept.",
}

// notKept is said when the last that the house told was erased: neither that
// nothing was done, nor what was, may be said then.
const notKept = "The house wrote down what came of it. That is no longer kept, so it cannot be said here."

// progress works out what became of a report from what is recorded, and says
// only that.
func (s *Service) progress(ctx context.Context, r *pb.Report) (*pb.Progress, error) {
	list, err := messages(ctx, s.Ledger, r.GetName())
	if err != nil {
		return nil, err
	}
	out := &pb.Progress{ShortCode: r.GetShortCode(), TellerMode: r.GetTellerMode()}
	out.Steps = append(out.Steps, &pb.ProgressStep{Stage: pb.ProgressStage_PROGRESS_STAGE_RECEIVED, Words: "Your report was received.",
		Date: s.day(r, r.GetReceiveTime().AsTime())})
	began, voided, err := s.work(ctx, r)
	if err != nil {
		return nil, err
	}
	lost := false
	for _, m := range list {
		wrote := ""
		switch m.GetSide() {
		case pb.MessageSide_MESSAGE_SIDE_HOUSE:
			wrote = m.GetDate()
		case pb.MessageSide_MESSAGE_SIDE_UNSPECIFIED:
			first, err := s.erased(ctx, m)
			if err != nil {
				return nil, err
			}
			if first.Verb == record.VerbAsk || first.Verb == record.VerbTell {
				wrote = s.day(r, first.Time)
			}
			lost = lost || first.Verb == record.VerbTell
		}
		if wrote != "" && (began == "" || wrote < began) {
			began = wrote
		}
	}
	if began != "" {
		out.Steps = append(out.Steps, &pb.ProgressStep{Stage: pb.ProgressStage_PROGRESS_STAGE_IN_HAND, Words: "Somebody began to work on it.", Date: began})
	}
	notFixed := false
	answered := map[string]bool{}
	for _, m := range list {
		answered[m.GetAnswers()] = true
	}
	for _, m := range list {
		switch m.GetKind() {
		case pb.MessageKind_MESSAGE_KIND_PROGRESS:
			out.Steps = append(out.Steps, &pb.ProgressStep{Stage: m.GetStage(), Words: m.GetText(), Date: m.GetDate()})
			notFixed, lost = false, false
		case pb.MessageKind_MESSAGE_KIND_NOT_FIXED:
			notFixed = true
		case pb.MessageKind_MESSAGE_KIND_QUESTION:
			if !answered[m.GetName()] {
				out.QuestionsWaiting++
			}
		}
		if m.GetSide() == pb.MessageSide_MESSAGE_SIDE_HOUSE && m.GetAcknowledgeDate() == "" {
			out.Unread++
		}
	}
	slices.SortStableFunc(out.Steps, func(a, b *pb.ProgressStep) int { return strings.Compare(a.GetDate(), b.GetDate()) })
	if voided != "" {
		out.Steps = append(out.Steps, &pb.ProgressStep{Stage: pb.ProgressStage_PROGRESS_STAGE_VOIDED, Words: sentences[pb.ProgressStage_PROGRESS_STAGE_VOIDED], Date: voided})
	}
	out.Summary = sentences[out.Steps[len(out.Steps)-1].GetStage()]
	if lost && voided == "" {
		out.Summary = notKept
	}
	if notFixed && voided == "" {
		out.Summary = "You said that it is not fixed. Those who look after it can read that; nothing was written down since."
	}
	return out, s.aboutName(ctx, r, out)
}

// erased returns the change that wrote a message whose words are erased: the log
// still says what was done.
func (s *Service) erased(ctx context.Context, m *pb.ReportMessage) (ledger.Change, error) {
	changes, err := s.Ledger.History(ctx, m.GetName())
	if err != nil {
		return ledger.Change{}, err
	}
	return changes[0], nil
}

// work returns the day on which somebody first worked on a report, and the day
// on which it was voided; "" where that is not so.
func (s *Service) work(ctx context.Context, r *pb.Report) (began, voided string, err error) {
	names := []string{r.GetName()}
	codings, err := s.Ledger.List(ctx, record.KindCoding, r.GetName()+"/", "", 100)
	if err != nil {
		return "", "", err
	}
	for _, c := range codings {
		names = append(names, c.Name)
	}
	var first time.Time
	for _, name := range names {
		changes, err := s.Ledger.History(ctx, name)
		if err != nil {
			return "", "", err
		}
		for _, c := range changes {
			if worked[c.Verb] && (first.IsZero() || c.Time.Before(first)) {
				first, began = c.Time, s.day(r, c.Time)
			}
			if c.Verb == record.VerbVoid {
				voided = s.day(r, c.Time)
			}
		}
	}
	return began, voided, nil
}

// aboutName says what is kept of who told, and each time it was looked at.
func (s *Service) aboutName(ctx context.Context, r *pb.Report, out *pb.Progress) error {
	switch r.GetTellerMode() {
	case pb.TellerMode_TELLER_MODE_ANONYMOUS:
		out.AboutName = "No name is kept, nor which tablet it came from, nor the time of day it was sent."
		return nil
	case pb.TellerMode_TELLER_MODE_NAMED:
		out.AboutName = "Your supervisor and the safety adviser may know that it was you."
		return nil
	}
	teller := r.GetName() + "/teller"
	changes, err := s.Ledger.History(ctx, teller)
	switch {
	case errors.Is(err, ledger.ErrNotFound):
		out.AboutName = "You gave no name."
		return nil
	case err != nil:
		return err
	case changes[len(changes)-1].Verb == record.VerbErase:
		out.AboutName = "Your name is no longer kept: it was destroyed."
	default:
		t := &pb.Teller{}
		last := changes[len(changes)-1]
		if err := record.Read(last.Body, last.Revision, t); err != nil {
			return err
		}
		switch n := len(t.GetKeepers()); n {
		case 0:
			out.AboutName = "Your name is kept apart from what you told, under the house's own key. The safety advisers can open it, and must give a reason each time; every time is listed here."
		case 1:
			out.AboutName = "Your name is closed to one keeper of names. It opens only with their passphrase and a reason; every time is listed here."
		default:
			out.AboutName = fmt.Sprintf("Your name is closed to %d keepers of names. It opens only with a passphrase of theirs and a reason; every time is listed here.", n)
		}
		if t.GetEraseDate() != "" {
			out.AboutName += " It is destroyed on " + t.GetEraseDate() + ", unless the law holds it longer."
		}
	}
	reads, err := s.Ledger.List(ctx, record.KindTellerRead, teller+"/reads/", "", 200)
	if err != nil {
		return err
	}
	for _, res := range reads {
		changes, err := s.Ledger.History(ctx, res.Name)
		if err != nil {
			return err
		}
		o := &pb.NameOpening{Date: s.day(r, changes[0].Time)}
		why := &wrapperspb.StringValue{}
		// A reason that was erased leaves that there was one.
		if last := changes[len(changes)-1]; last.Verb != record.VerbErase {
			if err := record.Read(last.Body, last.Revision, why); err != nil {
				return err
			}
			o.Reason = why.GetValue()
		}
		out.NameOpenings = append(out.NameOpenings, o)
	}
	slices.SortStableFunc(out.NameOpenings, func(a, b *pb.NameOpening) int { return strings.Compare(a.GetDate(), b.GetDate()) })
	return nil
}
