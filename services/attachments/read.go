package attachments

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/blob"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// longestWait bounds a wait whose caller set no deadline of its own.
const longestWait = 10 * time.Second

// wait returns when the ledger has reached seq.
func (s *Service) wait(ctx context.Context, seq int64) error {
	if seq <= 0 {
		return nil
	}
	inner, cancel := context.WithTimeout(ctx, longestWait)
	defer cancel()
	err := s.Ledger.Wait(inner, seq)
	if errors.Is(err, context.DeadlineExceeded) {
		return fault.Behind(time.Second)
	}
	return err
}

// sees returns nil when the caller may see a report; one that the caller may
// not see is not there, and neither is what is below it.
func (s *Service) sees(ctx context.Context, report, name string) error {
	res, err := s.Ledger.Get(ctx, report)
	if errors.Is(err, ledger.ErrNotFound) || err == nil && (res.Kind != record.KindReport || len(res.Body) == 0) {
		return fault.NotFound(name)
	}
	if err != nil {
		return fault.FromLedger(err, record.Etag)
	}
	r := &pb.Report{}
	if err := record.Read(res.Body, res.Revision, r); err != nil {
		return err
	}
	if !access.Sees(access.From(ctx), s.Tree, r.GetWorkplace()) {
		return fault.NotFound(name)
	}
	return nil
}

// get returns an attachment that the caller may see.
func (s *Service) get(ctx context.Context, name string) (*pb.Attachment, error) {
	report, _ := record.ReportOf(name)
	if err := s.sees(ctx, report, name); err != nil {
		return nil, err
	}
	res, err := s.Ledger.Get(ctx, name)
	if errors.Is(err, ledger.ErrNotFound) || err == nil && (res.Kind != record.KindAttachment || len(res.Body) == 0) {
		return nil, fault.NotFound(name)
	}
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	return read(res)
}

// cover covers what is said of attachments of a report for whoever may not know who
// did what. The pictures and the sound themselves are not covered.
func (s *Service) cover(ctx context.Context, report string, all ...*pb.Attachment) error {
	if s.Masks == nil || len(all) == 0 {
		return nil
	}
	r := &pb.Report{}
	res, err := s.Ledger.Get(ctx, report)
	if err != nil {
		return fault.FromLedger(err, record.Etag)
	}
	if err := record.Read(res.Body, res.Revision, r); err != nil {
		return err
	}
	if access.ViewOf(access.From(ctx).At(s.Tree, r.GetWorkplace(), report)).Actors {
		return nil
	}
	var texts []*string
	for _, a := range all {
		texts = append(texts, &a.Caption, &a.RemoveReason)
	}
	return s.Masks.CoverBeside(ctx, report, texts...)
}

// read decodes an attachment. One whose record was erased is as good as
// removed.
func read(res ledger.Resource) (*pb.Attachment, error) {
	a := &pb.Attachment{}
	if len(res.Body) == 0 {
		return &pb.Attachment{Name: res.Name, RemoveTime: epoch}, nil
	}
	return a, record.Read(res.Body, res.Revision, a)
}

// asAt reads an attachment as it was at a sequence number.
func (s *Service) asAt(ctx context.Context, name string, seq int64) (*pb.Attachment, error) {
	res, err := s.Ledger.GetAt(ctx, name, seq)
	if err != nil {
		return nil, err
	}
	return read(res)
}

// list lists the attachments of a report.
func (s *Service) list(ctx context.Context, req *pb.ListAttachmentsRequest) (*pb.ListAttachmentsResponse, error) {
	if err := s.sees(ctx, req.GetParent(), req.GetParent()); err != nil {
		return nil, err
	}
	all, err := s.Ledger.List(ctx, record.KindAttachment, req.GetParent()+"/attachments/", "", MostEver)
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	out := &pb.ListAttachmentsResponse{}
	for _, res := range all {
		a, err := read(res)
		if err != nil {
			return nil, err
		}
		if len(res.Body) > 0 && (a.GetRemoveTime() == nil || req.GetIncludeRemoved()) {
			out.Attachments = append(out.Attachments, a)
		}
	}
	slices.SortFunc(out.Attachments, func(a, b *pb.Attachment) int {
		return cmp.Or(a.GetCreateTime().AsTime().Compare(b.GetCreateTime().AsTime()), strings.Compare(a.GetName(), b.GetName()))
	})
	return out, nil
}

// sendAtOnce is how many bytes go in one message.
const sendAtOnce = 128 << 10

// send sends the bytes of an attachment.
func (s *Service) send(ctx context.Context, req *pb.ReadAttachmentRequest, send func(*pb.ReadAttachmentResponse) error) error {
	a, err := s.get(ctx, req.GetName())
	if err != nil {
		return err
	}
	if a.GetRemoveTime() != nil {
		return fault.State(a.GetName(), "the attachment was removed, and its bytes are or will be destroyed")
	}
	content := &pb.AttachmentContent{MediaType: a.GetMediaType(), SizeBytes: a.GetSizeBytes(), Sha256: a.GetSha256()}
	var drawn *pb.Rendition
	switch req.GetVariant() {
	case pb.AttachmentVariant_ATTACHMENT_VARIANT_DISPLAY:
		drawn = a.GetDisplay()
	case pb.AttachmentVariant_ATTACHMENT_VARIANT_SMALL:
		drawn = a.GetSmall()
	default:
		drawn = &pb.Rendition{}
	}
	switch {
	case drawn == nil:
		return fault.Invalid(fault.Violation{Field: "variant", Description: "is of pictures; this is a sound: ask for it as it is stored"})
	case drawn.GetSha256() != "":
		content = &pb.AttachmentContent{MediaType: "image/jpeg", SizeBytes: drawn.GetSizeBytes(), Sha256: drawn.GetSha256()}
	}
	r, size, err := s.Store.Open(ctx, content.GetSha256())
	if errors.Is(err, blob.ErrAway) {
		return fault.Busy(time.Second)
	}
	if err != nil || size != content.GetSizeBytes() {
		if err == nil {
			err = errors.Join(blob.ErrSpoilt, r.Close())
		}
		return fmt.Errorf("attachments: bytes %s of %s: %w", content.GetSha256(), a.GetName(), err)
	}
	defer r.Close()
	if err := send(&pb.ReadAttachmentResponse{Content: content}); err != nil {
		return err
	}
	h := sha256.New()
	for left := size; left > 0; {
		if err := ctx.Err(); err != nil {
			return err
		}
		b := make([]byte, min(left, sendAtOnce)) // gRPC may hold on to what it is given
		if _, err := io.ReadFull(r, b); err != nil {
			return fmt.Errorf("attachments: read %s: %w", content.GetSha256(), err)
		}
		left -= int64(len(b))
		h.Write(b)
		if err := send(&pb.ReadAttachmentResponse{Chunk: b}); err != nil {
			return err
		}
	}
	if hex.EncodeToString(h.Sum(nil)) != content.GetSha256() {
		return fmt.Errorf("attachments: bytes %s of %s: %w", content.GetSha256(), a.GetName(), blob.ErrSpoilt)
	}
	return nil
}
