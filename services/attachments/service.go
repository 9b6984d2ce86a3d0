package attachments

import (
	"context"
	"sync"
	"time"

	"golang.org/x/sync/semaphore"
	"google.golang.org/grpc"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/attachments/media"
	"fairlead/services/blob"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Limits.
const (
	// MostBytes is how long a file may be.
	MostBytes = 25 << 20
	// MostLive is how many attachments a report may hold, MostEver how many
	// with those that were removed.
	MostLive, MostEver = 20, 200
	// uploads is how many run at once; more are told to try again.
	uploads = 32
	// drawing is how many bytes of memory all pictures that are being drawn
	// take together, about.
	drawing = media.MostMemory + 64<<20
)

// Tree answers where workplaces stand; see services/workplace.
type Tree interface {
	// Within reports whether workplace is ancestor or stands below it.
	Within(workplace, ancestor string) bool
	// Location returns the time zone in which the days of a workplace run.
	Location(name string) *time.Location
}

// Masks cover what may say who somebody is; see services/masking.
type Masks interface {
	// CoverBeside covers texts that are said beside a report.
	CoverBeside(ctx context.Context, report string, texts ...*string) error
}

// Deps is what the room stands on. All are required but Masks: without them
// everybody reads captions as they were written.
type Deps struct {
	Ledger ledger.Ledger
	Tree   Tree
	Masks  Masks
	// Store keeps the bytes.
	Store blob.Store
	// Spool is a folder for uploads on their way.
	Spool string
	Clock func() time.Time
	// NewID makes a UUID that sorts by time (version 7), RandomID one that says
	// nothing (version 4).
	NewID, RandomID func() string
}

// Service implements AttachmentService.
type Service struct {
	pb.UnimplementedAttachmentServiceServer
	Deps
	running *semaphore.Weighted
	memory  *semaphore.Weighted
	// naming is held for reading from the moment bytes are put until the
	// ledger names them, and for writing while bytes that nothing names are
	// swept.
	naming sync.RWMutex
}

// New returns the service.
func New(d Deps) *Service {
	return &Service{Deps: d, running: semaphore.NewWeighted(uploads), memory: semaphore.NewWeighted(drawing)}
}

// AddAttachment implements AttachmentService.
func (s *Service) AddAttachment(stream grpc.ClientStreamingServer[pb.AddAttachmentRequest, pb.AddAttachmentResponse]) error {
	resp, err := s.add(stream.Context(), stream.Recv)
	if err != nil {
		return err
	}
	return stream.SendAndClose(resp)
}

// ReadAttachment implements AttachmentService.
func (s *Service) ReadAttachment(req *pb.ReadAttachmentRequest, stream grpc.ServerStreamingServer[pb.ReadAttachmentResponse]) error {
	return s.send(stream.Context(), req, stream.Send)
}

// GetAttachment implements AttachmentService.
func (s *Service) GetAttachment(ctx context.Context, req *pb.GetAttachmentRequest) (*pb.Attachment, error) {
	if err := s.wait(ctx, req.GetMinSequenceNumber()); err != nil {
		return nil, err
	}
	a, err := s.get(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	report, _ := record.ReportOf(req.GetName())
	return a, s.cover(ctx, report, a)
}

// ListAttachments implements AttachmentService.
func (s *Service) ListAttachments(ctx context.Context, req *pb.ListAttachmentsRequest) (*pb.ListAttachmentsResponse, error) {
	if err := s.wait(ctx, req.GetMinSequenceNumber()); err != nil {
		return nil, err
	}
	out, err := s.list(ctx, req)
	if err != nil {
		return nil, err
	}
	return out, s.cover(ctx, req.GetParent(), out.GetAttachments()...)
}

// RemoveAttachment implements AttachmentService.
func (s *Service) RemoveAttachment(ctx context.Context, req *pb.RemoveAttachmentRequest) (*pb.WriteAttachmentResponse, error) {
	return s.remove(ctx, req)
}
