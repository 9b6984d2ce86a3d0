package api

import (
	"context"
	"math/rand/v2"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "fairlead/proto/gen/fairlead/v1"
)

// Options change how a client behaves. The zero Options are right for a
// program of a moment; a test sets the clock and the ids.
type Options struct {
	// Marks remembers the last own write, so that reads wait for it; nil
	// remembers nothing beyond this client.
	Marks Marks
	// Warn hears what the user should know but no call fails for; nil drops
	// it.
	Warn func(string)
	// Timeout bounds one call, with all its attempts, when the caller's
	// context has no deadline of its own; 0 is no bound.
	Timeout time.Duration
	// Attempts is how often one call is sent at most; 0 means 6.
	Attempts int
	// NewID mints request ids; nil is UUID version 7.
	NewID func() string
	// Sleep waits; nil is the real clock.
	Sleep func(ctx context.Context, d time.Duration) error
	// Jitter returns a number in [0, 1) that spreads retries; nil is random.
	Jitter func() float64
}

// Client holds one client per service, over one connection.
type Client struct {
	// Access says who the caller is.
	Access pb.AccessServiceClient
	// Workplaces keeps the tree of workplaces and the people.
	Workplaces pb.WorkplaceServiceClient
	// Principals and Devices say who may come in, and with which tablets.
	Principals pb.PrincipalServiceClient
	Devices    pb.DeviceServiceClient
	// Reports takes reports in and keeps them.
	Reports pb.ReportServiceClient
	// Search finds reports by their words.
	Search pb.SearchServiceClient
	// Codes keeps code tables and codings.
	Codes pb.ClassificationServiceClient
	// Hours keeps hours worked.
	Hours pb.HoursServiceClient
	// Measures works out rates, charts and tables.
	Measures pb.MeasureServiceClient
	// Exports writes summaries.
	Exports pb.ExportServiceClient
	// Changes shows the log.
	Changes pb.ChangeServiceClient
	// Compute works figures out on numbers that the caller brings.
	Compute pb.ComputeServiceClient
	// Attachments keeps photos and sound; see Attach and OpenFile.
	Attachments pb.AttachmentServiceClient
	// Retention keeps and forgets.
	Retention pb.RetentionServiceClient
	// Receipts is for whoever holds a receipt code.
	Receipts pb.ReceiptServiceClient
	// Mine is for whoever told something under their own name.
	Mine pb.MyReportServiceClient
	// Messages asks and tells whoever told a report.
	Messages pb.MessageServiceClient
	// Keepers are those to whom confidential names are closed.
	Keepers pb.KeeperServiceClient
	// Reads shows who read what is sensitive.
	Reads pb.ReadServiceClient
	// Masks covers names in stories.
	Masks pb.MaskServiceClient

	o     Options
	close func() error
}

// New returns a client over a connection that somebody else made and closes:
// an in-process one, for example.
func New(conn grpc.ClientConnInterface, o Options) *Client {
	if o.Attempts == 0 {
		o.Attempts = 6
	}
	if o.NewID == nil {
		o.NewID = func() string { return uuid.Must(uuid.NewV7()).String() }
	}
	if o.Sleep == nil {
		o.Sleep = sleep
	}
	if o.Jitter == nil {
		o.Jitter = rand.Float64
	}
	if o.Warn == nil {
		o.Warn = func(string) {}
	}
	if o.Marks == nil {
		o.Marks = &memory{}
	}
	w := &wire{conn: conn, o: o}
	return &Client{
		Access: pb.NewAccessServiceClient(w), Workplaces: pb.NewWorkplaceServiceClient(w),
		Principals: pb.NewPrincipalServiceClient(w), Devices: pb.NewDeviceServiceClient(w),
		Reports: pb.NewReportServiceClient(w), Search: pb.NewSearchServiceClient(w),
		Codes: pb.NewClassificationServiceClient(w), Hours: pb.NewHoursServiceClient(w),
		Measures: pb.NewMeasureServiceClient(w), Exports: pb.NewExportServiceClient(w),
		Changes: pb.NewChangeServiceClient(w), Compute: pb.NewComputeServiceClient(w),
		Attachments: pb.NewAttachmentServiceClient(w), Retention: pb.NewRetentionServiceClient(w),
		Receipts: pb.NewReceiptServiceClient(w), Mine: pb.NewMyReportServiceClient(w), Messages: pb.NewMessageServiceClient(w),
		Keepers: pb.NewKeeperServiceClient(w), Reads: pb.NewReadServiceClient(w), Masks: pb.NewMaskServiceClient(w),
		o: o, close: func() error { return nil },
	}
}

// Close ends the connection, when Dial made it.
func (c *Client) Close() error { return c.close() }

// wire is the connection with the manners of this package: request ids, own
// writes, retries.
type wire struct {
	conn grpc.ClientConnInterface
	o    Options
	once sync.Once // the mark is checked against the log once
}

// Invoke sends one call.
func (w *wire) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	req, ok := args.(proto.Message)
	if !ok {
		return w.conn.Invoke(ctx, method, args, reply, opts...)
	}
	if _, bounded := ctx.Deadline(); !bounded && w.o.Timeout > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, w.o.Timeout)
		defer cancel()
	}
	w.mint(req)
	req = w.expectOwnWrites(ctx, method, req)
	err := w.invoke(ctx, method, req, reply, opts)
	if err == nil {
		w.rememberWrite(method, req, reply)
	}
	return err
}

// NewStream opens a stream; streams are not retried here.
func (w *wire) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	return w.conn.NewStream(ctx, desc, method, opts...)
}

// mint gives a mutation its request id, in the request itself: whoever holds
// the request can send the very same one again.
func (w *wire) mint(req proto.Message) {
	m := req.ProtoReflect()
	if fd := stringField(m, "request_id"); fd != nil && m.Get(fd).String() == "" && !checkOnly(m) {
		m.Set(fd, protoreflect.ValueOfString(w.o.NewID()))
	}
}

// checkOnly reports whether a request writes nothing.
func checkOnly(m protoreflect.Message) bool {
	fd := m.Descriptor().Fields().ByName("validate_only")
	return fd != nil && m.Get(fd).Bool()
}

func stringField(m protoreflect.Message, name protoreflect.Name) protoreflect.FieldDescriptor {
	if fd := m.Descriptor().Fields().ByName(name); fd != nil && fd.Kind() == protoreflect.StringKind {
		return fd
	}
	return nil
}

// writes reports whether a method changes something.
func writes(method string, m protoreflect.Message) bool {
	return stringField(m, "request_id") != nil || strings.HasSuffix(method, "/ImportReports")
}
