package cli

import (
	"fmt"
	"regexp"
	"strconv"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/structpb"

	"fairlead/analytics/compute"
	pb "fairlead/proto/gen/fairlead/v1"
)

// computeMessage is a result as the service would send it, so that a script
// reads the same answer from either. A test holds the two together.
func computeMessage(r compute.Result) (*pb.ComputeResponse, error) {
	settings, err := structpb.NewStruct(r.Settings)
	if err != nil {
		return nil, fmt.Errorf("cli: settings: %w", err)
	}
	outputs, err := structpb.NewStruct(r.Outputs)
	if err != nil {
		return nil, fmt.Errorf("cli: outputs: %w", err)
	}
	return &pb.ComputeResponse{Method: r.Method, Settings: settings, Outputs: outputs, Absent: r.Absent, Sentence: r.Sentence, How: r.How, Source: r.Source, Notes: r.Notes}, nil
}

var position = regexp.MustCompile(`\[(\d+)\]`)

// refusalStatus is a refusal as the service would send it: paths as in the
// contract, positions from 0.
func refusalStatus(e *compute.InputError) error {
	bad, message := &errdetails.BadRequest{}, "some fields need mending"
	for _, p := range e.Problems {
		field := "inputs"
		if p.Input != "" {
			field += "." + position.ReplaceAllStringFunc(p.Input, func(s string) string {
				n, err := strconv.Atoi(s[1 : len(s)-1])
				if err != nil || n < 1 {
					return s
				}
				return "[" + strconv.Itoa(n-1) + "]"
			})
		}
		bad.FieldViolations = append(bad.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: field, Description: p.Message})
	}
	if v := bad.FieldViolations; len(v) == 1 {
		message = v[0].GetField() + ": " + v[0].GetDescription()
	}
	st, err := status.New(codes.InvalidArgument, message).WithDetails(&errdetails.ErrorInfo{Reason: "INVALID_FIELDS", Domain: "fairlead"}, bad)
	if err != nil {
		return fmt.Errorf("cli: say what is wrong: %w", err)
	}
	return st.Err()
}
