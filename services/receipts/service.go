package receipts

import (
	"context"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Tree answers where workplaces stand.
type Tree interface {
	access.Tree
	// Location returns the time zone in which the days of a workplace run.
	Location(name string) *time.Location
}

// Slow slows down who guesses; see services/principals.
type Slow interface {
	// Wait returns how long to wait before the next try; 0 means now.
	Wait(key string) time.Duration
	// Right says that the last try was right.
	Right(key string)
}

// Deps is what the room stands on. All are required.
type Deps struct {
	Ledger ledger.Ledger
	Tree   Tree
	Slow   Slow
	Clock  func() time.Time
	// RandomID makes a UUID that says nothing of when it was made.
	RandomID func() string
}

// Service implements ReceiptService; the other side is [Messages].
type Service struct {
	pb.UnimplementedReceiptServiceServer
	Deps
}

// Messages implements MessageService.
type Messages struct {
	pb.UnimplementedMessageServiceServer
	s *Service
}

// New returns both sides.
func New(d Deps) (*Service, *Messages) {
	s := &Service{Deps: d}
	return s, &Messages{s: s}
}

// GetProgress implements ReceiptService.
func (s *Service) GetProgress(ctx context.Context, req *pb.GetProgressRequest) (*pb.Progress, error) {
	r, err := s.byCode(ctx, req.GetCode())
	if err != nil {
		return nil, err
	}
	return s.progress(ctx, r)
}

// ListMessages implements ReceiptService.
func (s *Service) ListMessages(ctx context.Context, req *pb.ListMessagesRequest) (*pb.ListMessagesResponse, error) {
	r, err := s.byCode(ctx, req.GetCode())
	if err != nil {
		return nil, err
	}
	list, err := messages(ctx, s.Ledger, r.GetName())
	for _, m := range list {
		forTeller(m)
	}
	return &pb.ListMessagesResponse{Messages: list}, err
}

// AddMessage implements ReceiptService.
func (s *Service) AddMessage(ctx context.Context, req *pb.AddMessageRequest) (*pb.ReportMessage, error) {
	r, err := s.byCode(ctx, req.GetCode())
	if err != nil {
		return nil, err
	}
	m, err := s.fromTeller(ctx, r, req)
	return forTeller(m), err
}

// Acknowledge implements ReceiptService.
func (s *Service) Acknowledge(ctx context.Context, req *pb.AcknowledgeRequest) (*pb.ReportMessage, error) {
	r, err := s.byCode(ctx, req.GetCode())
	if err != nil {
		return nil, err
	}
	m, err := s.acknowledge(ctx, r, req.GetMessage())
	return forTeller(m), err
}

// AskTeller implements MessageService.
func (m *Messages) AskTeller(ctx context.Context, req *pb.AskTellerRequest) (*pb.ReportMessage, error) {
	return m.s.fromHouse(ctx, req.GetReport(), req.GetRequestId(), req, record.VerbAsk,
		&pb.ReportMessage{Kind: pb.MessageKind_MESSAGE_KIND_QUESTION, Text: req.GetText()})
}

// TellProgress implements MessageService.
func (m *Messages) TellProgress(ctx context.Context, req *pb.TellProgressRequest) (*pb.ReportMessage, error) {
	return m.s.fromHouse(ctx, req.GetReport(), req.GetRequestId(), req, record.VerbTell,
		&pb.ReportMessage{Kind: pb.MessageKind_MESSAGE_KIND_PROGRESS, Stage: req.GetStage(), Text: req.GetText()})
}

// ListReportMessages implements MessageService.
func (m *Messages) ListReportMessages(ctx context.Context, req *pb.ListReportMessagesRequest) (*pb.ListReportMessagesResponse, error) {
	r, err := m.s.read(ctx, req.GetReport())
	if err != nil {
		return nil, err
	}
	list, err := messages(ctx, m.s.Ledger, r.GetName())
	see := m.s.sight(ctx, r)
	for _, one := range list {
		see.cut(one)
	}
	return &pb.ListReportMessagesResponse{Messages: list}, err
}
