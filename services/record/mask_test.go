package record

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
)

func TestApply(t *testing.T) {
	t.Parallel()
	open := []string{"narrative", "spot", "release"}
	stored := func() *pb.Report {
		return &pb.Report{Name: "reports/x", Narrative: "before", Spot: "bay 3", TellerMode: pb.TellerMode_TELLER_MODE_NAMED,
			Release: &pb.Release{Substance: "diesel", QuantityUnit: "L"}, Etag: "r3", ShortCode: "7KQ2MX4"}
	}
	for name, c := range map[string]struct {
		src   *pb.Report
		paths []string
		want  func(*pb.Report)
		field string
	}{
		"named field":           {&pb.Report{Narrative: "after", Spot: "bay 4"}, []string{"narrative"}, func(r *pb.Report) { r.Narrative = "after" }, ""},
		"named and not set":     {&pb.Report{}, []string{"spot"}, func(r *pb.Report) { r.Spot = "" }, ""},
		"no mask: what is set":  {&pb.Report{Spot: "bay 4"}, nil, func(r *pb.Report) { r.Spot = "bay 4" }, ""},
		"inside a message":      {&pb.Report{Release: &pb.Release{Substance: "oil"}}, []string{"release.substance"}, func(r *pb.Report) { r.Release.Substance = "oil" }, ""},
		"inside, none sent":     {&pb.Report{}, []string{"release.substance"}, func(r *pb.Report) { r.Release.Substance = "" }, ""},
		"a whole message":       {&pb.Report{Release: &pb.Release{Substance: "oil"}}, []string{"release"}, func(r *pb.Report) { r.Release = &pb.Release{Substance: "oil"} }, ""},
		"read, change, send":    {&pb.Report{Name: "reports/x", Narrative: "after", Spot: "bay 3", TellerMode: pb.TellerMode_TELLER_MODE_NAMED, Etag: "r3", ShortCode: "7KQ2MX4"}, nil, func(r *pb.Report) { r.Narrative = "after" }, ""},
		"output only is passed": {&pb.Report{Spot: "bay 4", UpdateTime: timestamppb.Now()}, nil, func(r *pb.Report) { r.Spot = "bay 4" }, ""},
		"closed field differs":  {&pb.Report{TellerMode: pb.TellerMode_TELLER_MODE_ANONYMOUS}, nil, nil, "report.teller_mode"},
		"closed field named":    {&pb.Report{}, []string{"teller_mode"}, nil, "update_mask"},
		"no such field":         {&pb.Report{}, []string{"weather"}, nil, "update_mask"},
		"no such field inside":  {&pb.Report{}, []string{"release.colour"}, nil, "update_mask"},
		"the house's own":       {&pb.Report{}, []string{"etag"}, nil, "update_mask"},
		"star":                  {&pb.Report{}, []string{"*"}, nil, "update_mask"},
		"through text":          {&pb.Report{}, []string{"narrative.x"}, nil, "update_mask"},
		"empty path":            {&pb.Report{}, []string{""}, nil, "update_mask"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dst, want := stored(), stored()
			var mask *fieldmaskpb.FieldMask
			if c.paths != nil {
				mask = &fieldmaskpb.FieldMask{Paths: c.paths}
			}
			vs := Apply(dst, c.src, mask, open, "report")
			if c.want == nil {
				require.Len(t, vs, 1)
				require.Equal(t, c.field, vs[0].Field)
			} else {
				require.Empty(t, vs)
				c.want(want)
			}
			require.True(t, proto.Equal(want, dst), "want %v\ngot  %v", want, dst)
		})
	}
	// A path is shown, but not somebody's words that slipped into it.
	vs := Apply(&pb.Report{}, &pb.Report{}, &fieldmaskpb.FieldMask{Paths: []string{"spot he fell off the truck"}}, open, "report")
	require.False(t, strings.Contains(vs[0].Description, "fell"))
}
