package compute

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"time"

	"google.golang.org/protobuf/proto"

	"fairlead/analytics/compute"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
)

const (
	// mostTime is how long one question may take, waiting for a slot included.
	mostTime = 20 * time.Second
	// mostWaiting is how many questions may wait for each slot.
	mostWaiting = 8
	// mostBytes bounds the inputs of one question.
	mostBytes = 4 << 20
	// comeAgain is when a caller who was turned away may try again.
	comeAgain = time.Second
)

// Service implements ComputeService.
type Service struct {
	pb.UnimplementedComputeServiceServer
	slots   chan struct{}
	waiting chan struct{}
	run     func(method string, inputs map[string]any) (compute.Result, error)
}

// New returns the service. One core is left to everybody else where there is
// more than one.
func New() *Service { return newService(max(1, runtime.GOMAXPROCS(0)-1), compute.Run) }

func newService(slots int, run func(string, map[string]any) (compute.Result, error)) *Service {
	return &Service{slots: make(chan struct{}, slots), waiting: make(chan struct{}, slots*(1+mostWaiting)), run: run}
}

// ListMethods implements ComputeService.
func (s *Service) ListMethods(context.Context, *pb.ListMethodsRequest) (*pb.ListMethodsResponse, error) {
	return definitions()
}

// Compute implements ComputeService.
func (s *Service) Compute(ctx context.Context, req *pb.ComputeRequest) (*pb.ComputeResponse, error) {
	m, err := compute.Find(req.GetMethod())
	if err != nil {
		return nil, unknown(err)
	}
	if n := proto.Size(req.GetInputs()); n > mostBytes {
		return nil, fault.Invalid(fault.Violation{Field: "inputs", Description: fmt.Sprintf("are longer than %d MB; send fewer numbers at once", mostBytes>>20)})
	}
	ctx, cancel := context.WithTimeout(ctx, mostTime)
	defer cancel()
	r, err := s.work(ctx, m.Name, req.GetInputs().AsMap())
	if err != nil {
		return nil, err
	}
	return response(r, req.GetIncludeSvg())
}

// work runs one question in a slot. A question that is given up keeps its slot
// until it ends, so that giving up and asking again gains nobody anything.
func (s *Service) work(ctx context.Context, method string, inputs map[string]any) (compute.Result, error) {
	select {
	case s.waiting <- struct{}{}:
	default:
		return compute.Result{}, fault.Busy(comeAgain)
	}
	type outcome struct {
		r   compute.Result
		err error
	}
	done := make(chan outcome, 1)
	select {
	case s.slots <- struct{}{}:
	case <-ctx.Done():
		<-s.waiting
		return compute.Result{}, ctx.Err()
	}
	go func() {
		var o outcome
		defer func() {
			if p := recover(); p != nil {
				// The value may quote inputs: only its kind goes on.
				o = outcome{err: fmt.Errorf("compute: %s: panic of type %T", method, p)}
			}
			<-s.slots
			<-s.waiting
			done <- o
		}()
		o.r, o.err = s.run(method, inputs)
	}()
	select {
	case o := <-done:
		return o.r, refusal(o.err)
	case <-ctx.Done():
		return compute.Result{}, ctx.Err()
	}
}

// refusal turns an error of the mathematics into a status; others are faults of
// ours and go on as they are, without what the caller sent.
func refusal(err error) error {
	var wrong *compute.InputError
	if !errors.As(err, &wrong) {
		return err
	}
	var vs fault.Violations
	for _, p := range wrong.Problems {
		vs.Add(path(p.Input), p.Message)
	}
	return vs.Err()
}

func unknown(err error) error {
	var e *compute.UnknownMethodError
	if !errors.As(err, &e) {
		return err
	}
	return fault.Invalid(fault.Violation{Field: "method", Description: fmt.Sprintf("is no method; did you mean %s? ListMethods lists them all", e.Nearest)})
}
