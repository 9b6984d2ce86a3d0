package tablet

import (
	"context"
	"encoding/json"
	"net/http"

	pb "fairlead/proto/gen/fairlead/v1"
)

// heard is what came of a report, for whoever holds its receipt code.
type heard struct {
	ShortCode string    `json:"shortCode"`
	Summary   string    `json:"summary"`
	AboutName string    `json:"aboutName"`
	Steps     []step    `json:"steps"`
	Messages  []message `json:"messages"`
}

type step struct {
	Words string `json:"words"`
	Date  string `json:"date"`
}

type message struct {
	Name     string `json:"name"`
	From     string `json:"from"`
	Question bool   `json:"question"`
	NotFixed bool   `json:"notFixed"`
	Text     string `json:"text"`
	Date     string `json:"date"`
}

// receipt tells what came of a report, and that its messages were read.
func (t *tablet) receipt(w http.ResponseWriter, r *http.Request) {
	var asked struct {
		Code string `json:"code"`
	}
	ctx, cancel, ok := t.stranger(w, r, &asked)
	if !ok {
		return
	}
	defer cancel()
	t.said(ctx, w, byCode{t.receipts, asked.Code})
}

// way is how a teller comes to their report: by the code, or in their turn.
type way interface {
	progress(ctx context.Context) (*pb.Progress, error)
	messages(ctx context.Context) ([]*pb.ReportMessage, error)
	read(ctx context.Context, message string) error
}

// byCode is the way by the receipt code.
type byCode struct {
	receipts pb.ReceiptServiceClient
	code     string
}

func (b byCode) progress(ctx context.Context) (*pb.Progress, error) {
	return b.receipts.GetProgress(ctx, &pb.GetProgressRequest{Code: b.code})
}

func (b byCode) messages(ctx context.Context) ([]*pb.ReportMessage, error) {
	list, err := b.receipts.ListMessages(ctx, &pb.ListMessagesRequest{Code: b.code})
	return list.GetMessages(), err
}

func (b byCode) read(ctx context.Context, message string) error {
	_, err := b.receipts.Acknowledge(ctx, &pb.AcknowledgeRequest{Code: b.code, Message: message})
	return err
}

// said answers what came of a report, and says that its messages were read.
func (t *tablet) said(ctx context.Context, w http.ResponseWriter, by way) {
	p, err := by.progress(ctx)
	if err != nil {
		t.fail(w, err)
		return
	}
	list, err := by.messages(ctx)
	if err != nil {
		t.fail(w, err)
		return
	}
	out := heard{ShortCode: p.GetShortCode(), Summary: p.GetSummary(), AboutName: p.GetAboutName(), Steps: []step{}, Messages: []message{}}
	for _, s := range p.GetSteps() {
		out.Steps = append(out.Steps, step{s.GetWords(), s.GetDate()})
	}
	for _, m := range list {
		from := "teller"
		if m.GetSide() == pb.MessageSide_MESSAGE_SIDE_HOUSE {
			from = "house"
			if m.GetAcknowledgeDate() == "" {
				if err := by.read(ctx, m.GetName()); err != nil {
					t.fail(w, err)
					return
				}
			}
		}
		out.Messages = append(out.Messages, message{Name: m.GetName(), From: from, Text: m.GetText(), Date: m.GetDate(),
			Question: m.GetKind() == pb.MessageKind_MESSAGE_KIND_QUESTION, NotFixed: m.GetKind() == pb.MessageKind_MESSAGE_KIND_NOT_FIXED})
	}
	answer(w, http.StatusOK, out)
}

// reply hands on what a teller says.
func (t *tablet) reply(w http.ResponseWriter, r *http.Request) {
	var said struct {
		Code      string `json:"code"`
		Text      string `json:"text"`
		NotFixed  bool   `json:"notFixed"`
		Answers   string `json:"answers"`
		RequestID string `json:"requestID"`
	}
	ctx, cancel, ok := t.stranger(w, r, &said)
	if !ok {
		return
	}
	defer cancel()
	_, err := t.receipts.AddMessage(ctx, &pb.AddMessageRequest{Code: said.Code, Text: said.Text, NotFixed: said.NotFixed, Answers: said.Answers, RequestId: said.RequestID})
	if err != nil {
		t.fail(w, err)
		return
	}
	answer(w, http.StatusOK, struct{}{})
}

// enrolled is what a tablet keeps of its enrolment.
type enrolled struct {
	Secret string `json:"secret"`
	Name   string `json:"name"`
	Home   string `json:"home"`
}

// enrol gives a tablet its own token for the code that it was given.
func (t *tablet) enrol(w http.ResponseWriter, r *http.Request) {
	var asked struct {
		Code string `json:"code"`
	}
	ctx, cancel, ok := t.stranger(w, r, &asked)
	if !ok {
		return
	}
	defer cancel()
	resp, err := t.devices.EnrolDevice(ctx, &pb.EnrolDeviceRequest{Code: asked.Code})
	if err != nil {
		t.fail(w, err)
		return
	}
	d := resp.GetDevice()
	answer(w, http.StatusOK, enrolled{Secret: resp.GetSecret(), Name: d.GetDisplayName(), Home: d.GetWorkplace()})
}

// stranger reads a small request of somebody who need not be known: the code in
// it is what counts. Who tries many codes waits.
func (t *tablet) stranger(w http.ResponseWriter, r *http.Request, into any) (context.Context, context.CancelFunc, bool) {
	host := address(r)
	if !t.codes.allow(host) {
		w.Header().Set("Retry-After", "60")
		answer(w, http.StatusTooManyRequests, problem{"too many tries from here; wait a minute"})
		return nil, nil, false
	}
	if err := json.NewDecoder(http.MaxBytesReader(w, r.Body, 64<<10)).Decode(into); err != nil {
		answer(w, http.StatusBadRequest, problem{"it could not be read; nothing was done"})
		return nil, nil, false
	}
	ctx, cancel := context.WithTimeout(from(r.Context(), host), patience)
	return ctx, cancel, true
}
