package server_test

import (
	"bytes"
	"image"
	"image/png"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// onePixel is the smallest picture.
var onePixel = func() []byte {
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 1, 1))); err != nil {
		panic(err) // it writes to memory
	}
	return b.Bytes()
}()

// attach adds a file to a report.
func (w *world) attach(report string, file []byte) *pb.Attachment {
	w.t.Helper()
	stream, err := pb.NewAttachmentServiceClient(w.Conn()).AddAttachment(w.As("adviser"))
	require.NoError(w.t, err)
	require.NoError(w.t, stream.Send(&pb.AddAttachmentRequest{Header: &pb.AttachmentHeader{Report: report, AttachmentId: w.id(), Caption: "what is left of it"}, Chunk: file}))
	resp, err := stream.CloseAndRecv()
	require.NoError(w.t, err, reasons(err))
	return resp.GetAttachment()
}

// attached returns an attachment that stays where it is.
func (w *world) attached() *pb.Attachment {
	w.t.Helper()
	report := w.report("pictured").GetName()
	resp, err := pb.NewAttachmentServiceClient(w.Conn()).ListAttachments(w.As("adviser"), &pb.ListAttachmentsRequest{Parent: report})
	require.NoError(w.t, err)
	if len(resp.GetAttachments()) > 0 {
		return resp.GetAttachments()[0]
	}
	return w.attach(report, onePixel)
}
