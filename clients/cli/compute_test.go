package cli_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/structpb"

	"fairlead/analytics/compute"
	"fairlead/clients/cli"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/server/servertest"
)

// run runs one command without a server and returns what it prints.
func run(t *testing.T, stdin string, args ...string) (out, errs string, code int) {
	t.Helper()
	var o, e bytes.Buffer
	code = cli.Run(t.Context(), cli.Env{
		In: strings.NewReader(stdin), Out: &o, Err: &e, Width: 80, Getenv: func(string) string { return "" }, Now: time.Now,
		NewID: func() string { return "" },
	}, args)
	return o.String(), e.String(), code
}

// Every method's example runs, as text and as JSON, and --json is the
// service's own answer to the same inputs, byte for byte; so is the drawing.
func TestCompute_sameAsService(t *testing.T) {
	t.Parallel()
	s := servertest.Start(t, servertest.Options{Clock: servertest.NewClock(stories).Now})
	service := pb.NewComputeServiceClient(s.Conn())
	for _, m := range compute.Methods() {
		t.Run(m.Name, func(t *testing.T) {
			var in map[string]any
			require.NoError(t, json.Unmarshal([]byte(m.Example), &in))
			inputs, err := structpb.NewStruct(in)
			require.NoError(t, err)
			r, err := service.Compute(s.As("adviser"), &pb.ComputeRequest{Method: m.Name, Inputs: inputs, IncludeSvg: true})
			require.NoError(t, err)
			svg := filepath.Join(t.TempDir(), "x.svg")
			out, errs, code := run(t, m.Example, "compute", m.Name, "--json", "--svg", svg)
			require.Zero(t, code, errs)
			if r.GetSvg() == "" {
				require.Contains(t, errs, "there is nothing to draw")
				require.NoFileExists(t, svg)
			} else {
				drawn, err := os.ReadFile(svg)
				require.NoError(t, err)
				require.Equal(t, r.GetSvg(), string(drawn))
				narrow, _, code := run(t, m.Example, "compute", m.Name, "--svg", "-", "--narrow")
				require.Zero(t, code)
				require.Equal(t, r.GetSvgNarrow(), narrow)
			}
			r.Svg, r.SvgNarrow = "", ""
			b, err := protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(r)
			require.NoError(t, err)
			var want bytes.Buffer
			require.NoError(t, json.Indent(&want, b, "", "  "))
			require.Equal(t, want.String()+"\n", out)

			text, errs, code := run(t, "", "compute", m.Name, "--example")
			require.Zero(t, code, errs)
			flat := strings.Join(strings.Fields(text), " ")
			require.True(t, strings.HasPrefix(flat, strings.Join(strings.Fields(r.GetSentence()), " ")), text)
			require.Contains(t, flat, "How: ")
			require.Contains(t, strings.ToLower(flat), "source: "+strings.ToLower(strings.Join(strings.Fields(m.Source), " ")))
			for _, o := range m.Outputs {
				named := strings.Contains(text, o.Name) || strings.Contains(flat, strings.ReplaceAll(o.Name, "_", " ")) ||
					strings.Contains(strings.ToLower(flat), strings.ReplaceAll(o.Name, "_", " "))
				require.True(t, named || wrapped(text, o.Name), "%s is not shown:\n%s", o.Name, text)
			}
			described, _, code := run(t, "", "compute", "list", m.Name)
			require.Zero(t, code)
			for _, i := range m.Inputs {
				require.Contains(t, described, "  "+i.Name+": ")
			}
		})
	}
}

// wrapped reports whether all words of a name are shown, as in a heading over
// several lines.
func wrapped(text, name string) bool {
	for _, w := range strings.Split(name, "_") {
		if !strings.Contains(text, w) {
			return false
		}
	}
	return true
}

// A refusal is the service's own, too, and nothing panics on what a person may
// type.
func TestCompute_refusals(t *testing.T) {
	t.Parallel()
	s := servertest.Start(t, servertest.Options{Clock: servertest.NewClock(stories).Now})
	_, err := pb.NewComputeServiceClient(s.Conn()).Compute(s.As("adviser"), &pb.ComputeRequest{Method: "c_chart", Inputs: &structpb.Struct{Fields: map[string]*structpb.Value{
		"counts": structpb.NewListValue(&structpb.ListValue{Values: []*structpb.Value{structpb.NewNumberValue(1), structpb.NewNumberValue(-1)}}), "cuonts": structpb.NewNullValue()}}})
	require.Error(t, err)
	out, errs, code := run(t, `{"counts":[1,-1],"cuonts":null}`, "compute", "c_chart", "--json")
	require.Equal(t, 1, code)
	require.Empty(t, out)
	require.JSONEq(t, statusJSON(t, err), errs)
	for _, args := range [][]string{
		{"compute"}, {"compute", "rate", "more"}, {"compute", "rate", "--set", "count"}, {"compute", "raet"}, {"compute", "list", "raet"}, {"compute", "list", "a", "b"},
		{"compute", "rate", "--in", "-", "--csv", "-"}, {"compute", "rate", "--example", "--csv", "x"}, {"compute", "rate", "--sit", "x"},
	} {
		_, errs, code := run(t, "", args...)
		require.Equal(t, 2, code, "%v: %s", args, errs)
		require.Contains(t, errs, "Not understood")
	}
	for _, stdin := range []string{"", "{", "[]", "null", "3", `{"count":1}{}`, `{"count":1e999,"exposure":1}`, "\x00", `{"count":"` + strings.Repeat("x", 1000) + `"}`} {
		_, errs, code := run(t, stdin, "compute", "rate")
		require.Equal(t, 1, code, stdin)
		require.NotEmpty(t, errs)
		require.Less(t, len(errs), 700)
	}
}

func statusJSON(t *testing.T, err error) string {
	t.Helper()
	b, jerr := protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(status.Convert(err).Proto())
	require.NoError(t, jerr)
	return string(b)
}
