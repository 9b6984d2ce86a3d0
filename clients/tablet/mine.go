package tablet

import (
	"context"
	"net/http"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
)

// mineLooks is how many pages of the service are looked through for one here.
const mineLooks = 5

// mineList is a page of what whoever has the turn told under their own name.
type mineList struct {
	Reports []mineOne `json:"reports"`
	// Next leads to older ones; empty at the end.
	Next string `json:"next"`
}

type mineOne struct {
	Report    string `json:"report"`
	ShortCode string `json:"shortCode"`
	Date      string `json:"date"`
	Summary   string `json:"summary"`
	Questions int32  `json:"questions"`
	Unread    int32  `json:"unread"`
}

// inTurn reads a small request in somebody's turn; what it is about the service
// decides by whose turn it is.
func (t *tablet) inTurn(w http.ResponseWriter, r *http.Request, into any) (context.Context, context.CancelFunc, bool) {
	secret, given := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if !given {
		answer(w, http.StatusForbidden, problem{"begin a turn with your name and PIN first"})
		return nil, nil, false
	}
	ctx, cancel, ok := t.stranger(w, r, into)
	if !ok {
		return nil, nil, false
	}
	return as(ctx, secret), cancel, true
}

// mine lists the reports.
func (t *tablet) mine(w http.ResponseWriter, r *http.Request) {
	var asked struct {
		After string `json:"after"`
	}
	ctx, cancel, ok := t.inTurn(w, r, &asked)
	if !ok {
		return
	}
	defer cancel()
	out := mineList{Reports: []mineOne{}, Next: asked.After}
	for look := 0; look == 0 || look < mineLooks && len(out.Reports) == 0 && out.Next != ""; look++ {
		list, err := t.own.ListMyReports(ctx, &pb.ListMyReportsRequest{PageToken: out.Next})
		if err != nil {
			t.fail(w, err)
			return
		}
		for _, m := range list.GetReports() {
			p := m.GetProgress()
			one := mineOne{Report: m.GetName(), ShortCode: p.GetShortCode(), Summary: p.GetSummary(), Questions: p.GetQuestionsWaiting(), Unread: p.GetUnread()}
			if len(p.GetSteps()) > 0 {
				one.Date = p.GetSteps()[0].GetDate()
			}
			out.Reports = append(out.Reports, one)
		}
		out.Next = list.GetNextPageToken()
	}
	answer(w, http.StatusOK, out)
}

// byTurn is the way to a report of whoever has the turn.
type byTurn struct {
	own    pb.MyReportServiceClient
	report string
}

func (b byTurn) progress(ctx context.Context) (*pb.Progress, error) {
	one, err := b.own.GetMyReport(ctx, &pb.GetMyReportRequest{Name: b.report})
	return one.GetProgress(), err
}

func (b byTurn) messages(ctx context.Context) ([]*pb.ReportMessage, error) {
	list, err := b.own.ListMyReportMessages(ctx, &pb.ListMyReportMessagesRequest{Report: b.report})
	return list.GetMessages(), err
}

func (b byTurn) read(ctx context.Context, message string) error {
	_, err := b.own.AcknowledgeMyReportMessage(ctx, &pb.AcknowledgeMyReportMessageRequest{Name: message})
	return err
}

// mineHeard tells what came of one of them.
func (t *tablet) mineHeard(w http.ResponseWriter, r *http.Request) {
	var asked struct {
		Report string `json:"report"`
	}
	ctx, cancel, ok := t.inTurn(w, r, &asked)
	if !ok {
		return
	}
	defer cancel()
	t.said(ctx, w, byTurn{t.own, asked.Report})
}

// mineAnswer hands on what its teller says.
func (t *tablet) mineAnswer(w http.ResponseWriter, r *http.Request) {
	var said struct {
		Report    string `json:"report"`
		Text      string `json:"text"`
		NotFixed  bool   `json:"notFixed"`
		Answers   string `json:"answers"`
		RequestID string `json:"requestID"`
	}
	ctx, cancel, ok := t.inTurn(w, r, &said)
	if !ok {
		return
	}
	defer cancel()
	_, err := t.own.AddMyReportMessage(ctx, &pb.AddMyReportMessageRequest{Report: said.Report, Text: said.Text, NotFixed: said.NotFixed, Answers: said.Answers, RequestId: said.RequestID})
	if err != nil {
		t.fail(w, err)
		return
	}
	answer(w, http.StatusOK, struct{}{})
}
