package desk

import (
	"context"
	"net/http"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "fairlead/proto/gen/fairlead/v1"
)

// receiptPage is what somebody sees who typed a receipt code.
type receiptPage struct {
	Code     string
	Progress *pb.Progress
	Messages []*pb.ReportMessage
	// Words are those of a message that was not taken.
	Words   string
	Answers string
	Flaws   []flaw
}

// receiptForm asks for a receipt code. It is open to everybody: whoever told
// something has no other name here than the code.
func (d *desk) receiptForm(w http.ResponseWriter, r *http.Request) {
	d.renderReceipt(w, r, http.StatusOK, receiptPage{}, "")
}

// renderReceipt draws the page. The code stays in the page and goes back with
// each form: an address would be kept by the browser and by every log on the
// way.
func (d *desk) renderReceipt(w http.ResponseWriter, r *http.Request, code int, p receiptPage, done string) {
	w.Header().Set("Cache-Control", "no-store")
	v, signedIn := d.visit(w, r)
	if !signedIn {
		v = nil
	}
	p.Flaws = located(p.Flaws, heardFields)
	d.pages.render(w, code, "receipt", view{Title: "What came of it", Here: "receipt", Visit: v, Done: done, Data: map[string]any{
		"Code": p.Code, "Progress": p.Progress, "Messages": p.Messages, "Words": p.Words, "Answers": p.Answers, "Flaws": p.Flaws}})
}

var heardFields = map[string]shown{"code": {"Receipt code", "code"}, "text": {"Your words", "text"}, "answers": {"Your words", "text"}}

// receiptDone is what the page says after a message.
var receiptDone = map[string]string{"answer": "Sent. Whoever looks after the report can read it.",
	"not-fixed": "Sent. Whoever looks after the report can read that it is not fixed.", "read": "Noted that you have read it."}

// receipt shows what came of a report, and takes what its teller has to say.
// Who has signed in at this browser plays no part: the call carries no token.
func (d *desk) receipt(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		d.renderReceipt(w, r, http.StatusRequestEntityTooLarge, receiptPage{Flaws: []flaw{bad("", "what was sent could not be read; it may be too long")}}, "")
		return
	}
	p := receiptPage{Code: posted(r, "code")}
	if !d.hearing.allow(remote(r)) {
		p.Words = posted(r, "text")
		p.Flaws = []flaw{bad("", "Too many tries from here in one minute. Wait a minute and send again.")}
		d.renderReceipt(w, r, http.StatusTooManyRequests, p, "")
		return
	}
	ctx, do := r.Context(), r.PostFormValue("do")
	err := d.say(ctx, r, p.Code, do)
	answer := http.StatusOK
	if err != nil {
		p.Words, p.Answers = posted(r, "text"), r.PostFormValue("answers")
		p.Flaws, answer = receiptTrouble(err)
		do = ""
	}
	if p.Progress, err = d.receipts.GetProgress(ctx, &pb.GetProgressRequest{Code: p.Code}); err == nil {
		var list *pb.ListMessagesResponse
		list, err = d.receipts.ListMessages(ctx, &pb.ListMessagesRequest{Code: p.Code})
		p.Messages = list.GetMessages()
	}
	if err != nil {
		p.Progress = nil
		p.Flaws, answer = receiptTrouble(err)
	}
	d.renderReceipt(w, r, answer, p, receiptDone[do])
}

// say passes on what the teller says, if anything.
func (d *desk) say(ctx context.Context, r *http.Request, code, do string) error {
	switch do {
	case "answer", "not-fixed":
		_, err := d.receipts.AddMessage(ctx, &pb.AddMessageRequest{Code: code, Text: posted(r, "text"), NotFixed: do == "not-fixed",
			Answers: r.PostFormValue("answers"), RequestId: r.PostFormValue("request_id")})
		return err
	case "read":
		_, err := d.receipts.Acknowledge(ctx, &pb.AcknowledgeRequest{Code: code, Message: r.PostFormValue("message")})
		return err
	}
	return nil
}

// receiptTrouble says what is wrong in the words of the page.
func receiptTrouble(err error) ([]flaw, int) {
	if f, isBad := flaws(err); isBad {
		return f, http.StatusUnprocessableEntity
	}
	switch status.Code(err) {
	case codes.NotFound:
		return []flaw{bad("code", "no report goes with this code; look at it once more, letter by letter")}, http.StatusNotFound
	case codes.FailedPrecondition, codes.ResourceExhausted:
		return []flaw{bad("", status.Convert(err).Message())}, http.StatusConflict
	}
	return []flaw{bad("", "The service did not answer. Nothing is lost; try again in a minute.")}, http.StatusServiceUnavailable
}

// ask puts a question to whoever told the report, and tell says what was done.
func (d *desk) ask(v *visit) {
	d.change(v, "ask", "asked", func(ctx context.Context, name, _, rid string) (int64, error) {
		_, err := d.messages.AskTeller(ctx, &pb.AskTellerRequest{Report: name, Text: posted(v.r, "text"), RequestId: rid})
		return 0, err
	})
}

func (d *desk) tell(v *visit) {
	d.change(v, "tell", "told", func(ctx context.Context, name, _, rid string) (int64, error) {
		_, err := d.messages.TellProgress(ctx, &pb.TellProgressRequest{Report: name, Stage: choice[pb.ProgressStage](v.r, "stage"), Text: posted(v.r, "text"), RequestId: rid})
		return 0, err
	})
}

// heard puts the messages of a report into the data of its page.
func (d *desk) heard(v *visit, r *pb.Report, data map[string]any) error {
	if !v.may("MessageService.ListReportMessages") || r.GetOrigin() != nil {
		return nil
	}
	list, err := d.messages.ListReportMessages(v.ctx(), &pb.ListReportMessagesRequest{Report: r.GetName()})
	data["Heard"], data["Hears"] = list.GetMessages(), true
	return err
}

// readers puts who read what is sensitive of a report into the data of its page.
func (d *desk) readers(v *visit, r *pb.Report, data map[string]any) error {
	if !v.may("ReadService.ListReads") {
		return nil
	}
	list, err := d.reads.ListReads(v.ctx(), &pb.ListReadsRequest{Report: r.GetName()})
	data["Readings"], data["Reads"] = list.GetReadings(), true
	return err
}

// readWords says what was read.
func readWords(c pb.ReadClass) string {
	return map[pb.ReadClass]string{pb.ReadClass_READ_CLASS_HEALTH: "health facts", pb.ReadClass_READ_CLASS_FILES: "photos or sound",
		pb.ReadClass_READ_CLASS_MESSAGES: "what who told wrote", pb.ReadClass_READ_CLASS_TELLER: "who told, in confidence"}[c]
}

// stageWords says a step in a word or two, where it has some.
func stageWords(s pb.ProgressStage) string {
	return map[pb.ProgressStage]string{pb.ProgressStage_PROGRESS_STAGE_MADE_SAFE: "Made safe for now", pb.ProgressStage_PROGRESS_STAGE_DECIDED: "Decided",
		pb.ProgressStage_PROGRESS_STAGE_DONE: "Done", pb.ProgressStage_PROGRESS_STAGE_NOTHING_DONE: "Nothing will be done"}[s]
}

// saidWords says what a message is.
func saidWords(k pb.MessageKind) string {
	return map[pb.MessageKind]string{pb.MessageKind_MESSAGE_KIND_QUESTION: "a question", pb.MessageKind_MESSAGE_KIND_PROGRESS: "what was done",
		pb.MessageKind_MESSAGE_KIND_NOT_FIXED: "it is not fixed"}[k]
}
