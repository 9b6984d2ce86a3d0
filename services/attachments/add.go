package attachments

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/attachments/media"
	"fairlead/services/blob"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// add takes a file in.
func (s *Service) add(ctx context.Context, recv func() (*pb.AddAttachmentRequest, error)) (*pb.AddAttachmentResponse, error) {
	if !s.running.TryAcquire(1) {
		return nil, fault.Busy(2 * time.Second)
	}
	defer s.running.Release(1)
	ctx, stop := context.WithTimeout(ctx, longestUpload)
	defer stop()
	next := patient(recv)
	first, err := next(ctx)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	if first.GetHeader() == nil {
		return nil, fault.Invalid(fault.Violation{Field: "header", Description: "is needed in the first message"})
	}
	p, err := s.place(ctx, first.GetHeader())
	if err != nil {
		return nil, err
	}
	u, err := s.receive(ctx, first, next)
	if err != nil {
		return nil, err
	}
	defer u.close()
	c, err := media.Clean(u.section(), media.Options{KeepLocation: first.GetHeader().GetKeepLocation(), Nameless: p.anonymous})
	if err != nil {
		return nil, refused(err)
	}
	display, small, err := s.draw(ctx, c)
	if err != nil {
		return nil, refused(err)
	}

	s.naming.RLock()
	defer s.naming.RUnlock()
	a := &pb.Attachment{Kind: pb.AttachmentKind(c.Kind), MediaType: c.Type, Caption: strings.TrimSpace(first.GetHeader().GetCaption()),
		Width: int32(c.Width), Height: int32(c.Height), LocationKept: c.Located, CreateTime: timestamppb.New(p.time)}
	if c.Length > 0 {
		// Half a second is as much as files agree on.
		a.Length = durationpb.New(c.Length.Round(100 * time.Millisecond))
	}
	ref, err := s.Store.Put(ctx, c.Reader())
	if err != nil {
		return nil, stored(err)
	}
	a.Sha256, a.SizeBytes = ref.SHA256, ref.Size
	if c.Kind == media.Photo {
		if a.Display, err = s.rendition(ctx, display); err != nil {
			return nil, err
		}
		if a.Small, err = s.rendition(ctx, small); err != nil {
			return nil, err
		}
	}
	return s.enter(ctx, p, first.GetHeader(), u.sum, a)
}

// draw draws a photo when there is memory for it.
func (s *Service) draw(ctx context.Context, c *media.Cleaned) (display, small media.Drawing, err error) {
	if c.Kind != media.Photo {
		return display, small, nil
	}
	if err := s.memory.Acquire(ctx, c.Memory()); err != nil {
		return display, small, err
	}
	defer s.memory.Release(c.Memory())
	return c.Draw()
}

func (s *Service) rendition(ctx context.Context, d media.Drawing) (*pb.Rendition, error) {
	ref, err := s.Store.Put(ctx, bytes.NewReader(d.JPEG))
	if err != nil {
		return nil, stored(err)
	}
	return &pb.Rendition{Sha256: ref.SHA256, SizeBytes: ref.Size, Width: int32(d.Width), Height: int32(d.Height)}, nil
}

// refused turns a refusal of a file into a violation.
func refused(err error) error {
	var r *media.Refusal
	if errors.As(err, &r) {
		return fault.Invalid(fault.Violation{Field: "chunk", Description: r.Words})
	}
	return err
}

// stored turns an error of the store into a status.
func stored(err error) error {
	switch {
	case errors.Is(err, blob.ErrFull):
		return fault.Full()
	case errors.Is(err, blob.ErrAway):
		return fault.Busy(time.Second)
	}
	return err
}

// errThere says that the attachment was entered before.
var errThere = errors.New("attachments: there already")

// enter enters an attachment whose bytes are stored, once.
func (s *Service) enter(ctx context.Context, p *place, h *pb.AttachmentHeader, sum [sha256.Size]byte, a *pb.Attachment) (*pb.AddAttachmentResponse, error) {
	asked := proto.Clone(h).(*pb.AttachmentHeader)
	// What is remembered of a request tells nothing of the code.
	asked.RequestId, asked.ReceiptCode = "", ""
	id := h.GetRequestId()
	if p.actor == access.Anonymous && id != "" {
		// A request id may tell its time; its hash does not, and replays alike.
		hash := sha256.Sum256([]byte("fairlead anonymous request\n" + id))
		id = "anonymous-" + hex.EncodeToString(hash[:16])
	}
	req, err := record.Request(p.actor, id, &pb.AddAttachmentRequest{Header: asked, Chunk: sum[:]})
	if err != nil {
		return nil, err
	}
	if p.anonymous {
		req.Time = p.time
	}
	a.Name = p.name
	receipt, err := s.Ledger.Write(ctx, req, func(ctx context.Context, tx ledger.Tx) error {
		tx.SetAnswer([]byte(a.GetName()))
		before, err := tx.Get(ctx, a.GetName())
		switch {
		case err == nil:
			return there(before, a)
		case !errors.Is(err, ledger.ErrNotFound):
			return err
		}
		if err := room(ctx, tx, p.report); err != nil {
			return err
		}
		put, err := record.Put(a, a.GetName(), record.KindAttachment, record.VerbAttach, ledger.Absent)
		if err != nil {
			return err
		}
		_, err = tx.Put(ctx, put)
		return err
	})
	name, seq := a.GetName(), receipt.Seq
	switch {
	case errors.Is(err, errThere):
		changes, err := s.Ledger.History(ctx, name)
		if err != nil {
			return nil, err
		}
		seq = changes[0].Seq
	case err != nil:
		return nil, fault.FromLedger(err, record.Etag)
	default:
		name = string(receipt.Answer)
	}
	at, err := s.asAt(ctx, name, seq)
	if err != nil {
		return nil, err
	}
	return &pb.AddAttachmentResponse{Attachment: at, SequenceNumber: seq}, nil
}

// there answers an attachment whose name is taken: errThere when it is the
// same, a violation otherwise.
func there(res ledger.Resource, a *pb.Attachment) error {
	was := &pb.Attachment{}
	if len(res.Body) > 0 {
		if err := record.Read(res.Body, res.Revision, was); err != nil {
			return err
		}
	}
	switch {
	case was.GetRemoveTime() != nil || len(res.Body) == 0:
		return fault.State(a.GetName(), "this attachment was removed; to add the file after all, mint a new attachment_id")
	case was.GetSha256() != a.GetSha256() || was.GetCaption() != a.GetCaption():
		return fault.Invalid(fault.Violation{Field: "header.attachment_id",
			Description: "names an attachment that holds another file or caption already; mint a new one"})
	}
	return errThere
}

// room refuses when a report is voided, or full.
func room(ctx context.Context, tx ledger.Tx, report string) error {
	res, err := tx.Get(ctx, report)
	if err != nil {
		return err
	}
	r := &pb.Report{}
	if err := record.Read(res.Body, res.Revision, r); err != nil {
		return err
	}
	if r.GetState() == pb.ReportState_REPORT_STATE_VOIDED {
		return fault.State(report, "the report is voided and stays as it is; nothing can be added to it")
	}
	all, err := tx.List(ctx, record.KindAttachment, report+"/attachments/", "", MostEver+1)
	if err != nil {
		return err
	}
	live := 0
	for _, res := range all {
		if a, err := read(res); err != nil {
			return err
		} else if a.GetRemoveTime() == nil {
			live++
		}
	}
	if live >= MostLive || len(all) >= MostEver {
		return fault.State(report, "the report holds 20 attachments already, which is as many as it can; remove one that matters less")
	}
	return nil
}
