package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

// chunk is how many bytes of a file go in one message.
const chunk = 128 << 10

// Attach adds a file to a report, and sends it again, from the beginning and
// under the same ids, while the service says UNAVAILABLE. A request id that the
// header lacks is minted into it. Of a file that cannot be read, the error is
// that of reading.
func (c *Client) Attach(ctx context.Context, h *pb.AttachmentHeader, file io.ReadSeeker) (*pb.AddAttachmentResponse, error) {
	if h.GetRequestId() == "" {
		h.RequestId = c.o.NewID()
	}
	wait := firstWait
	for attempt := 1; ; attempt++ {
		if _, err := file.Seek(0, io.SeekStart); err != nil {
			return nil, fmt.Errorf("api: read the file: %w", err)
		}
		resp, err := SendFile(ctx, c.Attachments, h, file)
		if err == nil {
			if n := resp.GetSequenceNumber(); n > c.o.Marks.Load() {
				(&wire{o: c.o}).save(n)
			}
			return resp, nil
		}
		st, _ := status.FromError(err)
		if st.Code() != codes.Unavailable || attempt >= c.o.Attempts {
			return nil, err
		}
		pause := wait/2 + spread(c.o, wait/2)
		if asked, _ := retryDelay(st); asked > 0 {
			pause = min(asked, mostAsked) + spread(c.o, asked/4)
		}
		if c.o.Sleep(ctx, pause) != nil {
			return nil, err
		}
		wait = min(2*wait, mostWait)
	}
}

// spread is some of a time, by chance.
func spread(o Options, d time.Duration) time.Duration {
	return time.Duration(o.Jitter() * float64(d))
}

// SendFile sends a file once, over a client of the service that anybody made.
func SendFile(ctx context.Context, client pb.AttachmentServiceClient, h *pb.AttachmentHeader, file io.Reader) (*pb.AddAttachmentResponse, error) {
	ctx, stop := context.WithCancel(ctx)
	defer stop() // a file that breaks off must not look like one that ends
	stream, err := client.AddAttachment(ctx)
	if err != nil {
		return nil, err
	}
	m := &pb.AddAttachmentRequest{Header: proto.Clone(h).(*pb.AttachmentHeader)}
	for {
		b := make([]byte, chunk)
		n, err := io.ReadFull(file, b)
		last := errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
		if err != nil && !last {
			return nil, fmt.Errorf("api: read the file: %w", err)
		}
		m.Chunk = b[:n]
		if n > 0 || m.Header != nil {
			// The end of the stream is a refusal, which the reply tells.
			if err := stream.Send(m); err != nil && !errors.Is(err, io.EOF) {
				return nil, err
			} else if err != nil {
				break
			}
		}
		if last {
			break
		}
		m = &pb.AddAttachmentRequest{}
	}
	return stream.CloseAndRecv()
}

// File is the content of an attachment on its way here.
type File struct {
	// Content says what it is and how long.
	Content *pb.AttachmentContent

	stream grpc.ServerStreamingClient[pb.ReadAttachmentResponse]
	stop   context.CancelFunc
	rest   []byte
}

// OpenFile begins to read an attachment. Close it when done.
func OpenFile(ctx context.Context, client pb.AttachmentServiceClient, name string, variant pb.AttachmentVariant) (*File, error) {
	ctx, stop := context.WithCancel(ctx)
	stream, err := client.ReadAttachment(ctx, &pb.ReadAttachmentRequest{Name: name, Variant: variant})
	if err != nil {
		stop()
		return nil, err
	}
	first, err := stream.Recv()
	if err != nil {
		stop()
		return nil, err
	}
	return &File{Content: first.GetContent(), stream: stream, stop: stop, rest: first.GetChunk()}, nil
}

// Read implements io.Reader. The end comes only when everything has come, and
// is what was stored.
func (f *File) Read(p []byte) (int, error) {
	for len(f.rest) == 0 {
		m, err := f.stream.Recv()
		if err != nil {
			return 0, err
		}
		f.rest = m.GetChunk()
	}
	n := copy(p, f.rest)
	f.rest = f.rest[n:]
	return n, nil
}

// Close ends the reading.
func (f *File) Close() error {
	f.stop()
	return nil
}
