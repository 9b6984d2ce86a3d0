package compute

import (
	"fmt"
	"regexp"
	"strconv"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/structpb"

	"fairlead/analytics/compute"
	"fairlead/analytics/figure"
	pb "fairlead/proto/gen/fairlead/v1"
)

// response turns a result into the message of the contract.
func response(r compute.Result, draw bool) (*pb.ComputeResponse, error) {
	settings, err := structpb.NewStruct(r.Settings)
	if err != nil {
		return nil, fmt.Errorf("compute: settings: %w", err)
	}
	outputs, err := structpb.NewStruct(r.Outputs)
	if err != nil {
		return nil, fmt.Errorf("compute: outputs: %w", err)
	}
	out := &pb.ComputeResponse{Method: r.Method, Settings: settings, Outputs: outputs, Absent: r.Absent, Sentence: r.Sentence, How: r.How, Source: r.Source, Notes: r.Notes}
	if !draw {
		return out, nil
	}
	if out.Svg, err = r.SVG(figure.Wide, "compute-"+r.Method); err != nil {
		return nil, err
	}
	out.SvgNarrow, err = r.SVG(figure.Narrow, "compute-"+r.Method+"-narrow")
	return out, err
}

// types are the kinds of inputs by the words of the contract.
func types() map[compute.Type]pb.MethodInputType {
	return map[compute.Type]pb.MethodInputType{
		compute.Number: pb.MethodInputType_METHOD_INPUT_TYPE_NUMBER, compute.Whole: pb.MethodInputType_METHOD_INPUT_TYPE_WHOLE,
		compute.Text: pb.MethodInputType_METHOD_INPUT_TYPE_TEXT, compute.YesNo: pb.MethodInputType_METHOD_INPUT_TYPE_YES_NO,
		compute.Numbers: pb.MethodInputType_METHOD_INPUT_TYPE_NUMBERS, compute.Wholes: pb.MethodInputType_METHOD_INPUT_TYPE_WHOLES,
		compute.Texts: pb.MethodInputType_METHOD_INPUT_TYPE_TEXTS, compute.YesNos: pb.MethodInputType_METHOD_INPUT_TYPE_YES_NOS,
		compute.NumberRows: pb.MethodInputType_METHOD_INPUT_TYPE_NUMBER_ROWS, compute.WholeRows: pb.MethodInputType_METHOD_INPUT_TYPE_WHOLE_ROWS,
		compute.TextRows: pb.MethodInputType_METHOD_INPUT_TYPE_TEXT_ROWS, compute.NumbersBy: pb.MethodInputType_METHOD_INPUT_TYPE_NUMBERS_BY_NAME,
		compute.TextsBy: pb.MethodInputType_METHOD_INPUT_TYPE_TEXTS_BY_NAME,
	}
}

// definitions is the table of methods.
func definitions() (*pb.ListMethodsResponse, error) {
	out, kinds := &pb.ListMethodsResponse{}, types()
	for _, m := range compute.Methods() {
		d := &pb.MethodDefinition{Method: m.Name, Group: string(m.Group), Purpose: m.Purpose, How: m.How, Source: m.Source, Also: m.Also, Example: &structpb.Struct{}}
		if err := protojson.Unmarshal([]byte(m.Example), d.Example); err != nil {
			return nil, fmt.Errorf("compute: example of %s: %w", m.Name, err)
		}
		for _, i := range m.Inputs {
			in := &pb.MethodInput{Name: i.Name, Type: kinds[i.Type], About: i.About, Unit: i.Unit, Domain: i.Domain(), Required: i.Required, Choices: i.Choices, Gaps: i.Gaps, MostEntries: int32(i.Longest)}
			if i.Default != nil {
				v, err := structpb.NewValue(i.Default)
				if err != nil {
					return nil, fmt.Errorf("compute: default of %s of %s: %w", i.Name, m.Name, err)
				}
				in.DefaultValue = v
			}
			d.Inputs = append(d.Inputs, in)
		}
		for _, o := range m.Outputs {
			d.Outputs = append(d.Outputs, &pb.MethodOutput{Name: o.Name, About: o.About, NullWhen: o.Null})
		}
		out.Methods = append(out.Methods, d)
	}
	return out, nil
}

var position = regexp.MustCompile(`\[(\d+)\]`)

// path turns the name of an input into a path of the request: positions there
// count from 0.
func path(input string) string {
	if input == "" {
		return "inputs"
	}
	return "inputs." + position.ReplaceAllStringFunc(input, func(s string) string {
		n, err := strconv.Atoi(s[1 : len(s)-1])
		if err != nil || n < 1 {
			return s
		}
		return "[" + strconv.Itoa(n-1) + "]"
	})
}
