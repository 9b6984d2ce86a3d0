package principals

import (
	"context"
	"crypto/rand"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

const (
	// codeTime is how long an enrolment code may be used.
	codeTime = 10 * time.Minute
	// codeSize is how many letters it has: 31^8 is 39.6 bits, and after a few
	// wrong ones each further try waits.
	codeSize = 8
	// turnTime is how long somebody may file before they type their PIN again.
	turnTime = 15 * time.Minute
)

// codeLetters leaves out what is taken for something else when it is read aloud
// or in bad light: 0 and O, 1, I and L.
const codeLetters = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"

// newCode makes an enrolment code.
func newCode() (string, error) {
	out := make([]byte, 0, codeSize)
	for len(out) < codeSize {
		var b [1]byte
		if _, err := rand.Read(b[:]); err != nil {
			return "", fmt.Errorf("principals: code: %w", err)
		}
		// Bytes beyond the last whole multiple would favour the first letters.
		if n := len(codeLetters); int(b[0]) < 256/n*n {
			out = append(out, codeLetters[int(b[0])%n])
		}
	}
	return string(out), nil
}

// plainCode is a code as it was made, from what somebody typed.
func plainCode(typed string) string {
	return strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' {
			return -1
		}
		return r
	}, strings.ToUpper(typed))
}

// hidden is a tablet as it is answered.
func hidden(d *pb.Device) *pb.Device {
	d.SecretSha256, d.CodeSha256 = "", ""
	return d
}

// CreateDevice implements DeviceService.
func (v *Devices) CreateDevice(ctx context.Context, req *pb.CreateDeviceRequest) (*pb.CreateDeviceResponse, error) {
	if who := access.From(ctx); !access.Sees(who, v.s.Tree, req.GetDevice().GetWorkplace()) && len(who.Workplaces) > 0 {
		return nil, fault.Denied("your role does not reach that workplace; ask whoever looks after access")
	}
	if !v.s.Tree.Has(req.GetDevice().GetWorkplace()) {
		return nil, fault.Invalid(fault.Violation{Field: "device.workplace", Description: "is not a workplace here; check the name"})
	}
	d := &pb.Device{Name: "devices/" + v.s.NewID(), DisplayName: strings.TrimSpace(req.GetDevice().GetDisplayName()), Workplace: req.GetDevice().GetWorkplace()}
	if d.DisplayName == "" {
		return nil, fault.Invalid(fault.Violation{Field: "device.display_name", Description: "is needed: what is written on the tablet?"})
	}
	return v.offer(ctx, d, record.VerbCreate, ledger.Absent)
}

// RenewEnrolment implements DeviceService.
func (v *Devices) RenewEnrolment(ctx context.Context, req *pb.RenewEnrolmentRequest) (*pb.CreateDeviceResponse, error) {
	d, ok := v.s.Registry.Device(req.GetName())
	if !ok || !access.Sees(access.From(ctx), v.s.Tree, d.GetWorkplace()) {
		return nil, fault.NotFound(req.GetName())
	}
	if d.GetEndTime() != nil {
		return nil, fault.State(d.GetName(), "has been taken out; add it as a new tablet")
	}
	revision, _ := record.Revision(d.GetEtag())
	return v.offer(ctx, d, record.VerbUpdate, revision)
}

// offer stores a tablet with a new code.
func (v *Devices) offer(ctx context.Context, d *pb.Device, verb string, ifRevision int64) (*pb.CreateDeviceResponse, error) {
	code, err := newCode()
	if err != nil {
		return nil, err
	}
	d.CodeSha256 = access.HashSecret(code)
	d.CodeExpireTime = timestamppb.New(v.s.Clock().Add(codeTime).Truncate(time.Second))
	d.Etag, d.LastSeenDate = "", ""
	out := &pb.Device{}
	err = v.s.write(ctx, "", d, d.GetName(), out, func(ctx context.Context, tx ledger.Tx) error {
		return put(ctx, tx, d, d.GetName(), record.KindDevice, verb, ifRevision)
	})
	if err != nil {
		return nil, err
	}
	return &pb.CreateDeviceResponse{Device: hidden(out), Code: code}, nil
}

// EnrolDevice implements DeviceService.
func (v *Devices) EnrolDevice(ctx context.Context, req *pb.EnrolDeviceRequest) (*pb.EnrolDeviceResponse, error) {
	// Any wrong code counts against all: who enrols a tablet has the code of
	// that minute before them, and a second one to try is rare.
	const all = "enrol"
	if wait := v.s.Slow.Wait(all); wait > 0 {
		return nil, fault.Busy(wait)
	}
	noSuch := fault.Unauthenticated("this code lets no tablet in: it was used, is over, or has a slip; ask for a new one")
	d, ok := v.s.Registry.ByCode(plainCode(req.GetCode()))
	if !ok || d.GetEndTime() != nil || !v.s.Clock().Before(d.GetCodeExpireTime().AsTime()) {
		return nil, noSuch
	}
	secret, err := access.NewDeviceSecret()
	if err != nil {
		return nil, err
	}
	revision, _ := record.Revision(d.GetEtag())
	d.SecretSha256, d.CodeSha256, d.CodeExpireTime = access.HashSecret(secret), "", nil
	d.EnrolTime, d.Etag, d.LastSeenDate = timestamppb.New(v.s.Clock().Truncate(time.Second)), "", ""
	out := &pb.Device{}
	ctx = access.With(ctx, access.Principal{Name: d.GetName()})
	err = v.s.write(ctx, "", d, d.GetName(), out, func(ctx context.Context, tx ledger.Tx) error {
		// At this revision only: of two who use a code at once, one gets in.
		return put(ctx, tx, d, d.GetName(), record.KindDevice, record.VerbEnrol, revision)
	})
	if err != nil {
		return nil, noSuch
	}
	v.s.Slow.Right(all)
	return &pb.EnrolDeviceResponse{Device: hidden(out), Secret: secret}, nil
}

// ListDevices implements DeviceService.
func (v *Devices) ListDevices(ctx context.Context, req *pb.ListDevicesRequest) (*pb.ListDevicesResponse, error) {
	out := &pb.ListDevicesResponse{}
	for _, d := range v.s.Registry.Devices(req.GetIncludeEnded()) {
		if access.Sees(access.From(ctx), v.s.Tree, d.GetWorkplace()) {
			out.Devices = append(out.Devices, hidden(d))
		}
	}
	return out, nil
}

// EndDevice implements DeviceService.
func (v *Devices) EndDevice(ctx context.Context, req *pb.EndDeviceRequest) (*pb.Device, error) {
	d, ok := v.s.Registry.Device(req.GetName())
	if !ok || !access.Sees(access.From(ctx), v.s.Tree, d.GetWorkplace()) {
		return nil, fault.NotFound(req.GetName())
	}
	if d.GetEndTime() != nil {
		return hidden(d), nil
	}
	d = proto.Clone(d).(*pb.Device)
	d.EndTime, d.CodeSha256, d.CodeExpireTime = timestamppb.New(v.s.Clock().Truncate(time.Second)), "", nil
	d.Etag, d.LastSeenDate = "", ""
	out := &pb.Device{}
	err := v.s.write(ctx, "", d, d.GetName(), out, func(ctx context.Context, tx ledger.Tx) error {
		return put(ctx, tx, d, d.GetName(), record.KindDevice, record.VerbEnd, ledger.Any)
	})
	return hidden(out), err
}

// ListWorkers implements DeviceService.
func (v *Devices) ListWorkers(ctx context.Context, _ *pb.ListWorkersRequest) (*pb.ListWorkersResponse, error) {
	out := &pb.ListWorkersResponse{}
	d, ok := v.s.Registry.Device(access.From(ctx).Device)
	if !ok {
		return out, nil
	}
	for _, p := range v.everybody() {
		if v.offered(p, d) {
			out.Workers = append(out.Workers, &pb.Worker{Principal: p.GetName(), DisplayName: p.GetDisplayName()})
		}
	}
	slices.SortFunc(out.Workers, func(a, b *pb.Worker) int { return strings.Compare(a.GetDisplayName(), b.GetDisplayName()) })
	return out, nil
}

func (v *Devices) everybody() []*pb.Principal {
	const chunk = 1000
	var out []*pb.Principal
	for after := ""; ; {
		page, more := v.s.Registry.Principals(after, chunk, false)
		out = append(out, page...)
		if !more {
			return out
		}
		after = page[len(page)-1].GetName()
	}
}

// offered reports whether a principal may be picked on a tablet: they agreed,
// and work where the tablet is, above it or below it.
func (v *Devices) offered(p *pb.Principal, d *pb.Device) bool {
	if !p.GetOfferedOnTablets() || p.GetState() != pb.PrincipalState_PRINCIPAL_STATE_ACTIVE {
		return false
	}
	return slices.ContainsFunc(p.GetGrants(), func(g *pb.Grant) bool {
		return len(g.GetWorkplaces()) == 0 && g.GetRole() != pb.Role_ROLE_INVESTIGATOR ||
			slices.ContainsFunc(g.GetWorkplaces(), func(w string) bool {
				return v.s.Tree.Within(w, d.GetWorkplace()) || v.s.Tree.Within(d.GetWorkplace(), w)
			})
	})
}

// BeginTurn implements DeviceService.
func (v *Devices) BeginTurn(ctx context.Context, req *pb.BeginTurnRequest) (*pb.BeginTurnResponse, error) {
	tablet := access.From(ctx).Device
	d, ok := v.s.Registry.Device(tablet)
	if !ok {
		return nil, fault.Denied("only an enrolled tablet begins a turn")
	}
	// Per person and tablet: nobody is kept out everywhere because somebody
	// guesses at one tablet.
	key := req.GetPrincipal() + " " + tablet
	if wait := v.s.Slow.Wait(key); wait > 0 {
		return nil, fault.Busy(wait)
	}
	p, known := v.s.Registry.Principal(req.GetPrincipal())
	right, err := v.s.rightPin(ctx, req.GetPrincipal(), req.GetPin())
	if err != nil {
		return nil, err
	}
	if !right || !known || !v.offered(p, d) {
		return nil, fault.Unauthenticated("name and PIN do not belong together; try again, or file without your name")
	}
	v.s.Slow.Right(key)
	one, secret, err := v.s.begin(ctx, p.GetName(), "tablet", tablet, turnTime)
	if err != nil {
		return nil, err
	}
	return &pb.BeginTurnResponse{Secret: secret, ExpireTime: one.GetEndTime()}, nil
}
