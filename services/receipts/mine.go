package receipts

import (
	"context"
	"math"
	"strconv"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
	"fairlead/services/paging"
	"fairlead/services/record"
)

const (
	// minePage is how many reports are on a page unless somebody asks otherwise.
	minePage = 20
	// mineLooked is how many changes are looked at for one page: whoever files
	// for many others gets shorter pages, not slower ones.
	mineLooked = 200
)

// notListed says what is not in the list.
const notListed = "Not in this list: what was told in confidence, without a name, or in another's name. The house keeps nothing that joins those to you. To hear of one of them, use its receipt code."

// MineDeps is what own reports stand on, besides. All are required.
type MineDeps struct {
	Owners *Owners
	// Caught waits until Owners has taken a change.
	Caught func(ctx context.Context, seq int64) error
	// Person is the person of a principal, "" when there is none.
	Person func(principal string) string
	Tokens *paging.Tokens
}

// Mine implements MyReportService: what whoever told under their own name hears
// without the code.
type Mine struct {
	pb.UnimplementedMyReportServiceServer
	s *Service
	MineDeps
}

// Mine returns the side of those who have signed in.
func (s *Service) Mine(d MineDeps) *Mine { return &Mine{s: s, MineDeps: d} }

func (m *Mine) person(principal string) string { return m.Person(principal) }

// ListMyReports implements MyReportService.
func (m *Mine) ListMyReports(ctx context.Context, req *pb.ListMyReportsRequest) (*pb.ListMyReportsResponse, error) {
	out := &pb.ListMyReportsResponse{NotListed: notListed}
	c, ok, err := m.who(ctx)
	if err != nil {
		return nil, err
	}
	before, err := m.position(c, req.GetPageToken())
	if err != nil {
		return nil, err
	}
	if !ok {
		return out, nil
	}
	head, err := m.s.Ledger.Head(ctx)
	if err != nil {
		return nil, err
	}
	if err := m.Caught(ctx, head.Seq); err != nil {
		return nil, fault.Behind(time.Second)
	}
	size := int(req.GetPageSize())
	if size == 0 {
		size = minePage
	}
	leads, more := m.Owners.before(c, before, mineLooked)
	for i, l := range leads {
		if len(out.Reports) == size {
			leads, more = leads[:i], true
			break
		}
		one, err := m.follow(ctx, c, l)
		if err != nil {
			return nil, err
		}
		if one != nil {
			out.Reports = append(out.Reports, one)
		}
	}
	if more {
		out.NextPageToken = m.Tokens.Make(&pb.GetMyReportRequest{Name: c.Name}, strconv.FormatInt(leads[len(leads)-1].seq, 10))
	}
	return out, nil
}

// position reads a page token, which belongs to who was given it.
func (m *Mine) position(c caller, token string) (int64, error) {
	at, err := m.Tokens.Open(&pb.GetMyReportRequest{Name: c.Name}, token)
	if err == nil && at == "" {
		return math.MaxInt64, nil
	}
	seq, bad := strconv.ParseInt(at, 10, 64)
	if err != nil || bad != nil {
		return 0, fault.Invalid(fault.Violation{Field: "page_token", Description: "does not belong to this list; start again without it"})
	}
	return seq, nil
}

// follow returns the report that a lead leads to; nil when it is not the
// caller's own, or came by the other lead.
func (m *Mine) follow(ctx context.Context, c caller, l lead) (*pb.MyReport, error) {
	changes, err := m.s.Ledger.Changes(ctx, l.seq-1, 1)
	if err != nil || len(changes) == 0 {
		return nil, err
	}
	name, ok := record.ReportOf(changes[0].Name)
	if !ok {
		return nil, nil
	}
	r, how, err := m.own(ctx, c, name)
	if err != nil || how != l.how {
		return nil, err
	}
	return m.say(ctx, r)
}

func (m *Mine) say(ctx context.Context, r *pb.Report) (*pb.MyReport, error) {
	p, err := m.s.progress(ctx, r)
	if err != nil {
		return nil, err
	}
	return &pb.MyReport{Name: r.GetName(), Progress: p}, nil
}

// GetMyReport implements MyReportService.
func (m *Mine) GetMyReport(ctx context.Context, req *pb.GetMyReportRequest) (*pb.MyReport, error) {
	r, err := m.mine(ctx, req.GetName(), req.GetName())
	if err != nil {
		return nil, err
	}
	return m.say(ctx, r)
}

// ListMyReportMessages implements MyReportService.
func (m *Mine) ListMyReportMessages(ctx context.Context, req *pb.ListMyReportMessagesRequest) (*pb.ListMyReportMessagesResponse, error) {
	r, err := m.mine(ctx, req.GetReport(), req.GetReport())
	if err != nil {
		return nil, err
	}
	list, err := messages(ctx, m.s.Ledger, r.GetName())
	for _, one := range list {
		forTeller(one)
	}
	return &pb.ListMyReportMessagesResponse{Messages: list}, err
}

// AddMyReportMessage implements MyReportService. The log names nobody, as when
// the message comes by the code.
func (m *Mine) AddMyReportMessage(ctx context.Context, req *pb.AddMyReportMessageRequest) (*pb.ReportMessage, error) {
	r, err := m.mine(ctx, req.GetReport(), req.GetReport())
	if err != nil {
		return nil, err
	}
	one, err := m.s.fromTeller(ctx, r, &pb.AddMessageRequest{Text: req.GetText(), NotFixed: req.GetNotFixed(), Answers: req.GetAnswers(), RequestId: req.GetRequestId()})
	return forTeller(one), err
}

// AcknowledgeMyReportMessage implements MyReportService.
func (m *Mine) AcknowledgeMyReportMessage(ctx context.Context, req *pb.AcknowledgeMyReportMessageRequest) (*pb.ReportMessage, error) {
	report, _ := record.ReportOf(req.GetName())
	r, err := m.mine(ctx, report, req.GetName())
	if err != nil {
		return nil, err
	}
	one, err := m.s.acknowledge(ctx, r, req.GetName())
	return forTeller(one), err
}
