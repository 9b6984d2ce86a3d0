package desk

import (
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// flaw is one thing wrong with what somebody sent.
type flaw struct {
	// Field is the path of the field, as the services said it, "" for none.
	Field string
	// Words say what to do.
	Words string
	// Label and At are what the page calls the field and the id of its first
	// element, when the page shows it.
	Label, At string
}

// bad returns a flaw of a field.
func bad(field, words string) flaw { return flaw{Field: field, Words: words} }

// flaws returns what is wrong field by field, and whether the error is of that
// sort.
func flaws(err error) ([]flaw, bool) {
	st, ok := status.FromError(err)
	if !ok || st.Code() != codes.InvalidArgument {
		return nil, false
	}
	var out []flaw
	for _, d := range st.Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range br.GetFieldViolations() {
				out = append(out, bad(v.GetField(), v.GetDescription()))
			}
		}
	}
	if len(out) == 0 {
		out = []flaw{bad("", st.Message())}
	}
	return out, true
}

// reason is the machine-readable reason of an error, "" when it has none.
func reason(err error) string {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetReason()
		}
	}
	return ""
}

// shown is how a page shows a field: its label and the id of its element.
type shown struct{ Label, At string }

// located gives each flaw the label and the place of its field, by the last
// part of its path, so that a page says "Day" and not "report.occur_time".
func located(list []flaw, fields map[string]shown) []flaw {
	out := make([]flaw, len(list))
	for i, f := range list {
		if s, ok := fields[last(f.Field)]; ok {
			f.Label, f.At = s.Label, s.At
		}
		out[i] = f
	}
	return out
}

// last is the last part of a field's path, without an index.
func last(path string) string {
	path = path[strings.LastIndexByte(path, '.')+1:]
	if i := strings.IndexByte(path, '['); i >= 0 {
		path = path[:i]
	}
	return path
}

// flawed returns what is wrong with a field, by the last parts of its path.
func flawed(list []flaw, fields ...string) string {
	for _, f := range list {
		for _, want := range fields {
			if last(f.Field) == want {
				return f.Words
			}
		}
	}
	return ""
}
