package envelope

import (
	"context"
	"errors"
	"fmt"
	"io"
	"regexp"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
)

// Service implements pb.SealedServiceServer.
type Service struct {
	pb.UnimplementedSealedServiceServer
	keys *Keys
	root func() string

	reports     pb.ReportServiceClient
	attachments pb.AttachmentServiceClient
}

// New returns the service. root names the whole organisation, for reports whose
// workplace takes none.
func New(keys *Keys, root func() string) *Service { return &Service{keys: keys, root: root} }

// Connect gives the service the door inside the house, by which what was opened
// goes on. It is called once, before anything is served.
func (s *Service) Connect(conn grpc.ClientConnInterface) {
	s.reports, s.attachments = pb.NewReportServiceClient(conn), pb.NewAttachmentServiceClient(conn)
}

// GetSealingKey implements pb.SealedServiceServer.
func (s *Service) GetSealingKey(context.Context, *pb.GetSealingKeyRequest) (*pb.SealingKey, error) {
	id, public := s.keys.Newest()
	return &pb.SealingKey{KeyId: id, PublicKey: public, Suite: Suite, Info: Info}, nil
}

// FileSealed implements pb.SealedServiceServer.
func (s *Service) FileSealed(ctx context.Context, req *pb.FileSealedRequest) (*pb.FileSealedResponse, error) {
	open, err := s.keys.Open(req.GetKeyId(), req.GetEncapsulatedKey(), req.GetCiphertext())
	if errors.Is(err, ErrUnknownKey) {
		return nil, fault.State("sealing_keys/"+req.GetKeyId(), "it was sealed with a key that is not kept here: keep it on the device, and put the folder with the sealing keys back from a backup")
	}
	if errors.Is(err, ErrDamaged) {
		return nil, damaged("ciphertext", "cannot be opened: it was damaged, or the encapsulated key does not belong to it; keep it on the device")
	}
	if err != nil {
		return nil, err
	}
	content, file, err := unpack(open)
	if err != nil {
		return nil, damaged("ciphertext", "holds no report or attachment that can be read; keep it on the device")
	}
	ctx = onwards(ctx)
	switch {
	case content.GetFile() != nil && content.GetAttachment() == nil:
		return s.file(ctx, content, req.GetClockAheadSeconds())
	case content.GetAttachment() != nil && content.GetFile() == nil:
		return s.attach(ctx, content.GetAttachment(), file)
	}
	return nil, damaged("ciphertext", "must hold one report or one attachment; keep it on the device")
}

func damaged(field, description string) error {
	return fault.Invalid(fault.Violation{Field: field, Description: description})
}

// onwards carries the caller's own authority to the door inside.
func onwards(ctx context.Context) context.Context {
	md, _ := metadata.FromIncomingContext(ctx)
	out := metadata.MD{}
	for _, name := range carried {
		if v := md.Get(name); len(v) > 0 {
			out[name] = v
		}
	}
	return metadata.NewOutgoingContext(ctx, out)
}

// carried are the headers that say who calls.
var carried = []string{"authorization"}

// inTurn returns a context that calls as whoever has the turn that was sealed in;
// the same context when there is none, or the name is not given openly: the log
// says who filed, and would say the name that is closed to the keepers.
func inTurn(ctx context.Context, content *pb.SealedContent) context.Context {
	if content.GetFile().GetReport().GetTellerMode() != pb.TellerMode_TELLER_MODE_NAMED || !plainToken.MatchString(content.GetTurn()) {
		return ctx
	}
	return metadata.NewOutgoingContext(ctx, metadata.Pairs("authorization", "Bearer "+content.GetTurn()))
}

// plainToken is what a token is made of; nothing else goes into a header.
var plainToken = regexp.MustCompile(`^[0-9A-Za-z_-]{1,128}$`)

// turnedAway reports whether a call was refused for who called.
func turnedAway(err error) bool {
	code := status.Code(err)
	return code == codes.Unauthenticated || code == codes.PermissionDenied
}

// file files a report, and mends once what the device cannot.
func (s *Service) file(ctx context.Context, content *pb.SealedContent, ahead int64) (*pb.FileSealedResponse, error) {
	req := content.GetFile()
	notes := setClock(req.GetReport(), ahead, content.GetCountedBack())
	own := ctx
	ctx = inTurn(ctx, content)
	resp, err := s.reports.FileReport(ctx, req)
	if ctx != own && turnedAway(err) {
		ctx = own
		resp, err = s.reports.FileReport(ctx, req)
		notes = append(notes, turnOver)
	}
	switch {
	case err == nil:
	case before(err):
		var mended []note
		if resp, mended, err = s.mendedBefore(ctx, req, err); err != nil {
			return nil, err
		}
		notes = append(notes, mended...)
	default:
		mended := mend(req, fieldsOf(err), s.root())
		if len(mended) == 0 {
			return nil, err
		}
		notes = append(notes, mended...)
		if resp, err = s.reports.FileReport(ctx, req); before(err) {
			resp, _, err = s.mendedBefore(ctx, req, err)
		}
		if err != nil {
			return nil, err
		}
	}
	out := &pb.FileSealedResponse{Name: resp.GetReport().GetName(), ShortCode: resp.GetReport().GetShortCode(),
		SequenceNumber: resp.GetSequenceNumber(), Notes: resp.GetNotes()}
	tell(out, notes)
	return out, nil
}

// mendedBefore finds the answer to a replay of a report that was mended when it
// first came: what was wrong with it then need not be wrong now, such as a time
// that lay ahead. The request id is taken, so nothing new can be stored by it.
func (s *Service) mendedBefore(ctx context.Context, req *pb.FileReportRequest, refusal error) (*pb.FileReportResponse, []note, error) {
	for set := 1; set < 1<<len(mendable); set++ {
		var fields []string
		for i, f := range mendable {
			if set&(1<<i) != 0 {
				fields = append(fields, f)
			}
		}
		variant := proto.Clone(req).(*pb.FileReportRequest)
		notes := mend(variant, fields, s.root())
		if resp, err := s.reports.FileReport(ctx, variant); !before(err) {
			return resp, notes, err
		}
	}
	return nil, nil, refusal
}

// chunk is how much of a file goes on in one message.
const chunk = 256 << 10

func (s *Service) attach(ctx context.Context, header *pb.AttachmentHeader, file []byte) (*pb.FileSealedResponse, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := s.attachments.AddAttachment(ctx)
	if err != nil {
		return nil, err
	}
	send := func(m *pb.AddAttachmentRequest) error {
		// io.EOF says that the answer is there already: CloseAndRecv has it.
		if err := stream.Send(m); err != nil && !errors.Is(err, io.EOF) {
			return fmt.Errorf("envelope: hand an attachment on: %w", err)
		}
		return nil
	}
	if err := send(&pb.AddAttachmentRequest{Header: header}); err != nil {
		return nil, err
	}
	for len(file) > 0 {
		n := min(chunk, len(file))
		if err := send(&pb.AddAttachmentRequest{Chunk: file[:n]}); err != nil {
			return nil, err
		}
		file = file[n:]
	}
	resp, err := stream.CloseAndRecv()
	if err != nil {
		return nil, err
	}
	return &pb.FileSealedResponse{Name: resp.GetAttachment().GetName(), SequenceNumber: resp.GetSequenceNumber()}, nil
}
