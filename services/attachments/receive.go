package attachments

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"syscall"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
)

// Times that an upload may take.
const (
	longestPause  = time.Minute
	longestUpload = 15 * time.Minute
)

// spoolName is what files on their way are called, where they need a name.
const spoolName = "upload-"

// upload is a file that has come in.
type upload struct {
	file *os.File
	size int64
	// sum is the SHA-256 of the bytes as they were sent.
	sum [sha256.Size]byte
}

func (u *upload) section() *io.SectionReader { return io.NewSectionReader(u.file, 0, u.size) }

func (u *upload) close() {
	_ = u.file.Close()           // it was only read since
	_ = os.Remove(u.file.Name()) // it has no name any more, but on Windows
}

// receive writes what follows the first message to a file without a name, so
// that whatever ends the upload, or the server, nothing of it is left.
func (s *Service) receive(ctx context.Context, first *pb.AddAttachmentRequest, next func(context.Context) (*pb.AddAttachmentRequest, error)) (_ *upload, err error) {
	if err := os.MkdirAll(s.Spool, 0o700); err != nil {
		return nil, fmt.Errorf("attachments: spool: %w", err)
	}
	f, err := os.CreateTemp(s.Spool, spoolName)
	if err != nil {
		return nil, spoolFault(err)
	}
	_ = os.Remove(f.Name()) // Windows keeps the name of an open file: close removes it
	u := &upload{file: f}
	defer func() {
		if err != nil {
			u.close()
		}
	}()
	h := sha256.New()
	for m := first; ; {
		if u.size += int64(len(m.GetChunk())); u.size > MostBytes {
			return nil, fault.Invalid(fault.Violation{Field: "chunk",
				Description: "the file is longer than 25 MB; send a smaller picture, or a shorter recording"})
		}
		if _, err := io.MultiWriter(f, h).Write(m.GetChunk()); err != nil {
			return nil, spoolFault(err)
		}
		if m, err = next(ctx); errors.Is(err, io.EOF) {
			h.Sum(u.sum[:0])
			return u, nil
		} else if err != nil {
			return nil, err
		}
		if m.GetHeader() != nil {
			return nil, fault.Invalid(fault.Violation{Field: "header", Description: "belongs into the first message only"})
		}
	}
}

func spoolFault(err error) error {
	if errors.Is(err, syscall.ENOSPC) {
		return fault.Full()
	}
	return fmt.Errorf("attachments: spool: %w", err)
}

// patient reads messages, but not for ever: a sender who falls silent, and a
// server that stops, end the upload.
func patient(recv func() (*pb.AddAttachmentRequest, error)) func(context.Context) (*pb.AddAttachmentRequest, error) {
	type got struct {
		m   *pb.AddAttachmentRequest
		err error
	}
	return func(ctx context.Context) (*pb.AddAttachmentRequest, error) {
		ctx, stop := context.WithTimeout(ctx, longestPause)
		defer stop()
		// When this gives up the call ends, and with it the waiting.
		in := make(chan got, 1)
		go func() {
			m, err := recv()
			in <- got{m, err}
		}()
		select {
		case g := <-in:
			return g.m, g.err
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}
