package receipts_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/wrapperspb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/record"
)

// deed is something that is done about a report, a day after the one before.
type deed func(w *world)

func told(stage pb.ProgressStage) deed {
	return func(w *world) { w.tell(stage, "The step is being looked after.") }
}

// worked is a change of the report by the house.
func worked(verb string) deed {
	return func(w *world) { w.put(w.report, w.report.GetName(), record.KindReport, verb) }
}

func coded(w *world) {
	w.put(&pb.Coding{Mechanism: "21"}, w.report.GetName()+"/codings/h1", record.KindCoding, record.VerbCode)
}

func asked(w *world) { w.ask("Which step?") }

// answered answers the newest message.
func answered(w *world) {
	list := w.messages()
	w.answer(&pb.AddMessageRequest{Text: "The third.", Answers: list[len(list)-1].GetName()})
}

func said(w *world) { w.answer(&pb.AddMessageRequest{Text: "It is slippery too."}) }

func notFixed(w *world) { w.answer(&pb.AddMessageRequest{NotFixed: true}) }

func read(w *world) {
	for _, m := range w.messages() {
		if m.GetSide() == pb.MessageSide_MESSAGE_SIDE_HOUSE {
			_, err := w.acknowledge(m.GetName())
			require.NoError(w.t, err)
		}
	}
}

func forgotten(w *world) { w.forget() }

// TestProgress tells what is recorded, and nothing else.
func TestProgress(t *testing.T) {
	t.Parallel()
	const (
		safe, inHand, decided = pb.ProgressStage_PROGRESS_STAGE_MADE_SAFE, pb.ProgressStage_PROGRESS_STAGE_IN_HAND, pb.ProgressStage_PROGRESS_STAGE_DECIDED
		done, nothing         = pb.ProgressStage_PROGRESS_STAGE_DONE, pb.ProgressStage_PROGRESS_STAGE_NOTHING_DONE
	)
	for name, c := range map[string]struct {
		deeds   []deed
		summary string
		// steps are stages and days of March; the report came on the 4th.
		steps           string
		waiting, unread int32
	}{
		"nothing yet":                    {nil, "Nobody has written down yet", "received 4", 0, 0},
		"what the teller adds":           {[]deed{said}, "Nobody has written down yet", "received 4", 0, 0},
		"amended":                        {[]deed{worked(record.VerbAmend)}, "Somebody is working on it", "received 4, in hand 5", 0, 0},
		"a harm, an outcome, an absence": {[]deed{said, worked(record.VerbAddHarm), worked(record.VerbOutcome), worked(record.VerbAbsence)}, "working on it", "received 4, in hand 6", 0, 0},
		"coded":                          {[]deed{coded, worked(record.VerbAmend)}, "working on it", "received 4, in hand 5", 0, 0},
		"filed again by a copy":          {[]deed{worked(record.VerbFile)}, "Nobody has written down yet", "received 4", 0, 0},
		"asked":                          {[]deed{asked}, "working on it", "received 4, in hand 5", 1, 1},
		"asked and answered":             {[]deed{asked, answered}, "working on it", "received 4, in hand 5", 0, 1},
		"answered beside the question":   {[]deed{asked, said, asked, answered}, "working on it", "received 4, in hand 5", 1, 2},
		"read, and not answered":         {[]deed{asked, read}, "working on it", "received 4, in hand 5", 1, 0},
		"made safe":                      {[]deed{told(safe)}, "made safe for now", "received 4, in hand 5, made safe 5", 0, 1},
		"in hand, said so":               {[]deed{told(inHand)}, "working on it", "received 4, in hand 5, in hand 5", 0, 1},
		"decided":                        {[]deed{worked(record.VerbAmend), told(decided)}, "decided what will be done", "received 4, in hand 5, decided 6", 0, 1},
		"done":                           {[]deed{told(safe), told(decided), told(done)}, "What was decided is done", "received 4, in hand 5, made safe 5, decided 6, done 7", 0, 3},
		"done, and read":                 {[]deed{told(done), read, told(done)}, "What was decided is done", "received 4, in hand 5, done 5, done 7", 0, 1},
		"nothing done":                   {[]deed{told(nothing)}, "Nothing will be done; why is said below", "received 4, in hand 5, nothing done 5", 0, 1},
		"not fixed":                      {[]deed{told(done), notFixed}, "You said that it is not fixed", "received 4, in hand 5, done 5", 0, 1},
		"not fixed, nobody before":       {[]deed{notFixed}, "You said that it is not fixed", "received 4", 0, 0},
		"not fixed, then asked":          {[]deed{told(done), notFixed, asked}, "You said that it is not fixed", "received 4, in hand 5, done 5", 1, 2},
		"not fixed, then looked after":   {[]deed{told(done), notFixed, told(inHand)}, "working on it", "received 4, in hand 5, done 5, in hand 7", 0, 2},
		"voided":                         {[]deed{worked(record.VerbVoid)}, "taken out of the figures", "received 4, voided 5", 0, 0},
		"voided, then told":              {[]deed{worked(record.VerbVoid), told(done)}, "taken out of the figures", "received 4, in hand 6, done 6, voided 5", 0, 1},
		"not fixed, then voided":         {[]deed{told(done), notFixed, worked(record.VerbVoid)}, "taken out of the figures", "received 4, in hand 5, done 5, voided 7", 0, 1},
		// Once who told is erased the words are gone: neither nothing nor too much
		// may be said of what was done.
		"done, then erased":             {[]deed{told(done), forgotten}, "no longer kept", "received 4, in hand 5", 0, 0},
		"asked, then erased":            {[]deed{asked, forgotten}, "working on it", "received 4, in hand 5", 0, 0},
		"said, then erased":             {[]deed{said, forgotten}, "Nobody has written down yet", "received 4", 0, 0},
		"erased, then told":             {[]deed{told(safe), forgotten, told(done)}, "What was decided is done", "received 4, in hand 5, done 7", 0, 1},
		"erased, then not fixed":        {[]deed{told(done), forgotten, notFixed}, "You said that it is not fixed", "received 4, in hand 5", 0, 0},
		"told, erased, and then voided": {[]deed{told(done), forgotten, worked(record.VerbVoid)}, "taken out of the figures", "received 4, in hand 5, voided 7", 0, 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t, pb.TellerMode_TELLER_MODE_CONFIDENTIAL)
			for _, do := range c.deeds {
				w.later(1)
				do(w)
			}
			p := w.progress()
			require.Contains(t, p.GetSummary(), c.summary)
			var steps []string
			for _, s := range p.GetSteps() {
				stage := strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(s.GetStage().String(), "PROGRESS_STAGE_"), "_", " "))
				require.Equal(t, "2026-03-0", s.GetDate()[:9])
				require.NotEmpty(t, s.GetWords())
				steps = append(steps, stage+" "+s.GetDate()[9:])
			}
			require.Equal(t, c.steps, strings.Join(steps, ", "))
			require.Equal(t, fmt.Sprint(c.waiting, c.unread), fmt.Sprint(p.GetQuestionsWaiting(), p.GetUnread()), "questions waiting, and unread")
			require.Equal(t, "K7-Q2", p.GetShortCode())
			require.NotContains(t, p.String(), "Fableton")
			require.NotContains(t, p.String(), "principals/")
		})
	}
}

// TestProgress_name says what is kept of who told, and of each look at it.
func TestProgress_name(t *testing.T) {
	t.Parallel()
	closedTo := func(keepers ...string) deed {
		return func(w *world) {
			name := w.report.GetName() + "/teller"
			w.put(&pb.Teller{Name: name, Closed: []byte("mist"), Keepers: keepers, EraseDate: "2026-06-02"}, name, record.KindTeller, record.VerbClose)
		}
	}
	looked := func(w *world) {
		w.put(wrapperspb.String("to arrange a lift"), w.report.GetName()+"/teller/reads/1", record.KindTellerRead, record.VerbOpenTeller)
	}
	const confidential = pb.TellerMode_TELLER_MODE_CONFIDENTIAL
	for name, c := range map[string]struct {
		mode  pb.TellerMode
		deeds []deed
		says  string
		looks string
	}{
		"without a name":    {pb.TellerMode_TELLER_MODE_ANONYMOUS, nil, "No name is kept", ""},
		"openly":            {pb.TellerMode_TELLER_MODE_NAMED, nil, "Your supervisor and the safety adviser may know", ""},
		"under own key":     {confidential, nil, "under the house's own key. The safety advisers can open it, and must give a reason each time; every time is listed here. It is destroyed on 2026-06-02", ""},
		"to one keeper":     {confidential, []deed{closedTo("keepers/ada")}, "closed to one keeper of names", ""},
		"to two keepers":    {confidential, []deed{closedTo("keepers/ada", "keepers/ben")}, "closed to 2 keepers of names", ""},
		"looked at":         {confidential, []deed{looked}, "must give a reason", "2026-03-05 to arrange a lift"},
		"erased":            {confidential, []deed{looked, forgotten}, "Your name is no longer kept: it was destroyed.", "2026-03-05 "},
		"closed and erased": {confidential, []deed{closedTo("keepers/ada"), forgotten}, "no longer kept", ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t, c.mode)
			for _, do := range c.deeds {
				w.later(1)
				do(w)
			}
			p := w.progress()
			require.Contains(t, p.GetAboutName(), c.says)
			var looks []string
			for _, o := range p.GetNameOpenings() {
				looks = append(looks, o.GetDate()+" "+o.GetReason())
			}
			require.Equal(t, c.looks, strings.Join(looks, ", "))
		})
	}
}
