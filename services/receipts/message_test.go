package receipts_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// TestMessages goes both ways: in the order of writing, numbered, with the day,
// and the log names nobody who told, nor the minute unless it was told openly: it
// has the time of the change before, no later.
func TestMessages(t *testing.T) {
	t.Parallel()
	for mode, minute := range map[pb.TellerMode]string{
		pb.TellerMode_TELLER_MODE_ANONYMOUS: "05:00:00", pb.TellerMode_TELLER_MODE_CONFIDENTIAL: "05:00:00", pb.TellerMode_TELLER_MODE_NAMED: "05:37:00"} {
		t.Run(mode.String(), func(t *testing.T) {
			t.Parallel()
			w := newWorld(t, mode)
			q := w.ask("Which step?")
			require.Equal(t, "principals/ada", q.GetAuthor())
			w.now = w.now.Add(37 * time.Minute)
			a := w.answer(&pb.AddMessageRequest{Text: "The third.", Answers: q.GetName()})
			w.later(1)
			w.tell(pb.ProgressStage_PROGRESS_STAGE_DONE, "It is nailed down.")
			w.answer(&pb.AddMessageRequest{NotFixed: true, Text: " \n"})
			var got []string
			for _, m := range w.messages() {
				require.Empty(t, m.GetAuthor(), "who at the house wrote is not told")
				got = append(got, fmt.Sprint(m.GetNumber(), " ", m.GetDate()[8:], " ", strings.TrimPrefix(m.GetKind().String(), "MESSAGE_KIND_"), " ", m.GetText()))
			}
			require.Equal(t, []string{"1 04 QUESTION Which step?", "2 04 ANSWER The third.", "3 05 PROGRESS It is nailed down.", "4 05 NOT_FIXED "}, got)
			history, err := w.l.History(t.Context(), a.GetName())
			require.NoError(t, err)
			require.Equal(t, access.Anonymous+" "+record.VerbAnswer, history[0].Actor+" "+history[0].Verb)
			require.Equal(t, minute, history[0].Time.UTC().Format(time.TimeOnly))

			// What the house reads of it goes by whether the name may be known.
			for who, c := range map[string]struct {
				ctx   context.Context
				words bool
			}{
				"adviser":      {w.ada(), true},
				"investigator": {w.as("ivy", pb.Role_ROLE_INVESTIGATOR), true},
				"supervisor":   {w.as("sol", pb.Role_ROLE_SUPERVISOR), mode == pb.TellerMode_TELLER_MODE_NAMED},
			} {
				l, err := w.house.ListReportMessages(c.ctx, &pb.ListReportMessagesRequest{Report: w.report.GetName()})
				require.NoError(t, err, who)
				answer := l.GetMessages()[1]
				require.Equal(t, c.words, answer.GetText() == "The third.", who)
				require.Equal(t, !c.words, answer.GetWordsHidden(), who)
				require.Equal(t, "Which step?", l.GetMessages()[0].GetText(), who)
			}
		})
	}
}

// TestMessages_refused: who may not, and what is not a message.
func TestMessages_refused(t *testing.T) {
	t.Parallel()
	w := newWorld(t, pb.TellerMode_TELLER_MODE_CONFIDENTIAL)
	mine := w.answer(&pb.AddMessageRequest{Text: "It is slippery too."})
	q := w.ask("Which step?")
	here := w.report.GetName()
	other, _ := w.file(pb.TellerMode_TELLER_MODE_ANONYMOUS)
	theirs, err := w.house.AskTeller(w.ada(), &pb.AskTellerRequest{Report: other.GetName(), Text: "Which one?"})
	require.NoError(t, err)
	imported := proto.Clone(other).(*pb.Report)
	imported.Name, imported.Origin = "reports/"+uuid.NewString(), &pb.Origin{}
	w.put(imported, imported.GetName(), record.KindReport, record.VerbImport)
	head := w.head()

	for name, c := range map[string]struct {
		req   *pb.AddMessageRequest
		field string
	}{
		"nothing":                       {&pb.AddMessageRequest{}, "text"},
		"blanks":                        {&pb.AddMessageRequest{Text: " \n\t"}, "text"},
		"an answer to their own":        {&pb.AddMessageRequest{Text: "yes", Answers: mine.GetName()}, "answers"},
		"an answer to another report's": {&pb.AddMessageRequest{Text: "yes", Answers: theirs.GetName()}, "answers"},
		"an answer to nothing":          {&pb.AddMessageRequest{Text: "yes", Answers: here + "/messages/" + uuid.NewString()}, "answers"},
		"an answer to the name":         {&pb.AddMessageRequest{Text: "yes", Answers: here + "/teller"}, "answers"},
	} {
		_, err := w.add(c.req)
		require.Equal(t, c.field, field(t, err), name)
	}
	for name, c := range map[string]struct {
		ctx    context.Context
		report string
		text   string
		want   codes.Code
	}{
		"blanks":            {w.ada(), here, " ", codes.InvalidArgument},
		"another's depot":   {w.as("sol", pb.Role_ROLE_SUPERVISOR, "workplaces/quarry-road"), here, "Which step?", codes.NotFound},
		"no report":         {w.ada(), "reports/" + uuid.NewString(), "Which step?", codes.NotFound},
		"not a report":      {w.ada(), here + "/teller", "Which step?", codes.NotFound},
		"nobody has a code": {w.ada(), imported.GetName(), "Which step?", codes.FailedPrecondition},
	} {
		_, err := w.house.AskTeller(c.ctx, &pb.AskTellerRequest{Report: c.report, Text: c.text})
		require.Equal(t, c.want, status.Code(err), "%s: %v", name, err)
		_, err = w.house.TellProgress(c.ctx, &pb.TellProgressRequest{Report: c.report, Stage: pb.ProgressStage_PROGRESS_STAGE_DONE, Text: c.text})
		require.Equal(t, c.want, status.Code(err), "%s: %v", name, err)
	}
	for name, message := range map[string]string{"their own": mine.GetName(), "another report's": theirs.GetName(),
		"nothing": here + "/messages/" + uuid.NewString(), "the name": here + "/teller", "the report": here} {
		_, err := w.acknowledge(message)
		require.Equal(t, codes.NotFound, status.Code(err), "%s: %v", name, err)
	}
	require.Equal(t, head, w.head(), "nothing is written")
	require.Empty(t, w.messages()[1].GetAcknowledgeDate())
	require.Equal(t, q.GetName(), w.messages()[1].GetName())
}

// TestAcknowledge keeps the first day, however often somebody says so.
func TestAcknowledge(t *testing.T) {
	t.Parallel()
	w := newWorld(t, pb.TellerMode_TELLER_MODE_CONFIDENTIAL)
	q := w.ask("Which step?")
	w.later(1)
	first, err := w.acknowledge(q.GetName())
	require.NoError(t, err)
	require.Equal(t, "2026-03-05", first.GetAcknowledgeDate())
	require.Empty(t, first.GetAuthor())
	head := w.head()
	w.later(1)
	again, err := w.acknowledge(q.GetName())
	require.NoError(t, err)
	require.Equal(t, "2026-03-05", again.GetAcknowledgeDate())
	require.Equal(t, head, w.head(), "the second writes nothing")
	require.Equal(t, "Which step?", w.messages()[0].GetText())
	history, err := w.l.History(t.Context(), q.GetName())
	require.NoError(t, err)
	require.Equal(t, access.Anonymous, history[1].Actor)
	require.Equal(t, "13:00:00", history[1].Time.UTC().Format(time.TimeOnly), "only the day, which begins at 13:00 UTC there")
}

// TestAddMessage_again: sent again after an answer was lost it is one message, and
// the id of a request is not kept as it was sent: it may tell its time.
func TestAddMessage_again(t *testing.T) {
	t.Parallel()
	w := newWorld(t, pb.TellerMode_TELLER_MODE_CONFIDENTIAL)
	id := uuid.NewString()
	first := w.answer(&pb.AddMessageRequest{Text: "It is slippery too.", RequestId: id})
	again := w.answer(&pb.AddMessageRequest{Text: "It is slippery too.", RequestId: id})
	require.Equal(t, first.GetName(), again.GetName())
	require.Len(t, w.messages(), 1)
	_, err := w.add(&pb.AddMessageRequest{Text: "It is dark.", RequestId: id})
	require.Equal(t, codes.InvalidArgument, status.Code(err), "%v", err)
	require.Contains(t, fmt.Sprint(status.Convert(err).Details()), fault.ReasonRequestIDReused)
	// The same id about another report is another request.
	w.report, w.code = w.file(pb.TellerMode_TELLER_MODE_CONFIDENTIAL)
	w.answer(&pb.AddMessageRequest{Text: "It is slippery too.", RequestId: id})
	require.Len(t, w.messages(), 1)
}

// TestAddMessage_limits: thirty a day from whoever holds the code, three hundred
// in all, from either side; reading stays.
func TestAddMessage_limits(t *testing.T) {
	t.Parallel()
	w := newWorld(t, pb.TellerMode_TELLER_MODE_ANONYMOUS)
	for range 30 {
		said(w)
	}
	_, err := w.add(&pb.AddMessageRequest{NotFixed: true})
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	require.Contains(t, err.Error(), "enough for one day")
	w.ask("Which step?") // the house is not kept from asking
	w.later(1)
	said(w)

	_, err = w.l.Write(t.Context(), ledger.Request{Actor: "principals/ada"}, func(ctx context.Context, tx ledger.Tx) error {
		for n := int32(33); n < 300; n++ {
			name := w.report.GetName() + "/messages/" + uuid.NewString()
			p, err := record.Put(&pb.ReportMessage{Name: name, Number: n, Side: pb.MessageSide_MESSAGE_SIDE_HOUSE, Text: "On it.", Date: "2026-03-05"}, name, record.KindMessage, record.VerbAsk, ledger.Absent)
			if err == nil {
				_, err = tx.Put(ctx, p)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
	require.NoError(t, err)
	said(w) // the three hundredth
	_, err = w.add(&pb.AddMessageRequest{Text: "and again"})
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	require.Contains(t, err.Error(), "too many messages")
	_, err = w.house.AskTeller(w.ada(), &pb.AskTellerRequest{Report: w.report.GetName(), Text: "Which step?"})
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	list := w.messages()
	require.Len(t, list, 300)
	for i, m := range list {
		require.EqualValues(t, i+1, m.GetNumber())
	}
}

// TestMessages_erased: once who told is erased the words are gone on both sides,
// nothing of them can be answered or acknowledged, and the code still works.
func TestMessages_erased(t *testing.T) {
	t.Parallel()
	w := newWorld(t, pb.TellerMode_TELLER_MODE_CONFIDENTIAL)
	q := w.ask("Which step, by the green helmet?")
	w.answer(&pb.AddMessageRequest{Text: "Ask the green helmet.", Answers: q.GetName()})
	w.forget()
	house, err := w.house.ListReportMessages(w.ada(), &pb.ListReportMessagesRequest{Report: w.report.GetName()})
	require.NoError(t, err)
	for _, list := range [][]*pb.ReportMessage{w.messages(), house.GetMessages()} {
		require.Len(t, list, 2)
		for _, m := range list {
			require.Contains(t, m.GetText(), "no longer kept")
			require.Empty(t, m.GetAuthor())
		}
	}
	_, err = w.acknowledge(q.GetName())
	require.Equal(t, codes.NotFound, status.Code(err), "%v", err)
	_, err = w.add(&pb.AddMessageRequest{Text: "The third.", Answers: q.GetName()})
	require.Equal(t, "answers", field(t, err))
	w.answer(&pb.AddMessageRequest{Text: "It is slippery again."})
	list := w.messages()
	require.Equal(t, "It is slippery again.", list[2].GetText(), "what comes later is in its place")
	changes, err := w.l.Changes(t.Context(), 0, 1000)
	require.NoError(t, err)
	for _, c := range changes {
		require.NotContains(t, string(c.Body), "helmet", "change %d", c.Seq)
	}
}
