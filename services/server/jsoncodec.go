package server

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"connectrpc.com/connect"
	"connectrpc.com/vanguard"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/reflect/protoreflect"

	"fairlead/services/fault"
)

// jsonCodec is the JSON of the web door. What cannot be read is told by its
// place and with a cure, and never with what stood there: it may be
// somebody's words.
type jsonCodec struct{ *vanguard.JSONCodec }

func newJSONCodec(res vanguard.TypeResolver) vanguard.Codec {
	return jsonCodec{&vanguard.JSONCodec{
		// Zero counts are answers here, not blanks: say them.
		MarshalOptions:   protojson.MarshalOptions{EmitDefaultValues: true, Resolver: res},
		UnmarshalOptions: protojson.UnmarshalOptions{Resolver: res},
	}}
}

// Unmarshal implements vanguard.Codec.
func (c jsonCodec) Unmarshal(data []byte, m proto.Message) error {
	err := c.JSONCodec.Unmarshal(data, m)
	if err == nil {
		return nil
	}
	return asConnect(fault.Invalid(badJSON(data, m.ProtoReflect().Descriptor(), err)))
}

// asConnect turns a status into the error that the transcoder sends on with
// its details.
func asConnect(err error) *connect.Error {
	st := status.Convert(err)
	out := connect.NewError(connect.Code(st.Code()), errors.New(st.Message()))
	for _, d := range st.Details() {
		if m, ok := d.(protoadapt.MessageV1); ok {
			if detail, err := connect.NewErrorDetail(protoadapt.MessageV2Of(m)); err == nil {
				out.AddDetail(detail)
			}
		}
	}
	return out
}

// position is where protojson says that it stopped.
var position = regexp.MustCompile(`\(line ([0-9]+):([0-9]+)\)`)

// badJSON says what is wrong with JSON that was not read, and where.
func badJSON(data []byte, d protoreflect.MessageDescriptor, err error) fault.Violation {
	text, at, where := err.Error(), len(data), ""
	if m := position.FindStringSubmatch(text); m != nil {
		line, _ := strconv.Atoi(m[1])
		column, _ := strconv.Atoi(m[2])
		at = offset(data, line, column)
		where = fmt.Sprintf(" (line %d, column %d)", line, column)
	}
	switch {
	case len(bytes.TrimSpace(data)) == 0:
		return fault.Violation{Description: "the body is empty; send the request as JSON"}
	case !utf8.Valid(data):
		return fault.Violation{Description: "the JSON is not UTF-8 text; convert it and send it again"}
	case where == "" && strings.Contains(text, "EOF") && json.Valid(data):
		// The reader of JSON stops at half of a character and says no place.
		return fault.Violation{Description: `the JSON cannot be read: a text holds a broken \u escape; send the characters themselves`}
	case !json.Valid(data):
		return fault.Violation{Description: "the JSON is not whole or not well formed" + where + "; look for a missing bracket, comma or quote there"}
	}
	path := pathAt(data, at)
	fd := fieldAt(d, path)
	v := fault.Violation{Field: path.String()}
	switch {
	case strings.Contains(text, "unknown field"):
		v.Description = "is not a field here; check its spelling against the contract"
	case strings.Contains(text, "duplicate"):
		v.Description = "is given twice; keep one of the two"
	case strings.Contains(text, "recursion"):
		v.Description = "is nested too deeply"
	default:
		v.Description = form(fd, len(path) > 0 && path[len(path)-1].list)
	}
	v.Description += where
	return v
}

// form says what JSON a field takes.
func form(fd protoreflect.FieldDescriptor, element bool) string {
	switch {
	case fd == nil:
		return "must be a JSON object in braces"
	case fd.IsList() && !element:
		return "must be a list in square brackets"
	case fd.IsMap():
		return "must be an object in braces, of names and values"
	}
	switch fd.Kind() {
	case protoreflect.StringKind:
		return "must be text in double quotes"
	case protoreflect.BoolKind:
		return "must be true or false"
	case protoreflect.DoubleKind, protoreflect.FloatKind:
		return "must be a number"
	case protoreflect.BytesKind:
		return "must be bytes in base64"
	case protoreflect.EnumKind:
		return "must be one of " + strings.Join(valueNames(fd.Enum()), ", ")
	case protoreflect.MessageKind, protoreflect.GroupKind:
		switch fd.Message().FullName() {
		case "google.protobuf.Timestamp":
			return "must be a time such as 2026-03-04T05:00:00Z"
		case "google.protobuf.FieldMask":
			return "must be field names with commas between, such as title,timeZone"
		}
		return "must be an object in braces"
	}
	return "must be a whole number within range"
}

// valueNames returns the values of an enum that can be given.
func valueNames(d protoreflect.EnumDescriptor) []string {
	var out []string
	for i := range d.Values().Len() {
		if v := d.Values().Get(i); v.Number() != 0 {
			out = append(out, string(v.Name()))
		}
	}
	return out
}

// offset returns the place in bytes of a line and column, both from 1; columns
// count characters.
func offset(data []byte, line, column int) int {
	at := 0
	for ; line > 1; line-- {
		next := bytes.IndexByte(data[at:], '\n')
		if next < 0 {
			return len(data)
		}
		at += next + 1
	}
	for ; column > 1 && at < len(data); column-- {
		_, n := utf8.DecodeRune(data[at:])
		at += n
	}
	return at
}

// step is one step into JSON: a name, or an element of a list.
type step struct {
	name  string
	list  bool
	index int
}

type steps []step

// String writes the path as violations do. A name that is no field's name is
// left out: it may be anything.
func (p steps) String() string {
	var b strings.Builder
	for _, s := range p {
		if s.list {
			fmt.Fprintf(&b, "[%d]", s.index)
			continue
		}
		if b.Len() > 0 {
			b.WriteByte('.')
		}
		if nameForm.MatchString(s.name) {
			b.WriteString(s.name)
		} else {
			b.WriteString("…")
		}
	}
	return b.String()
}

var nameForm = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]{0,63}$`)

// pathAt returns the way to the value or name that stands at a place in JSON.
func pathAt(data []byte, at int) steps {
	dec := json.NewDecoder(bytes.NewReader(data))
	var path steps
	var open []json.Delim
	naming := false // the next token is a name
	for {
		tok, err := dec.Token()
		if err != nil {
			return path
		}
		end := int(dec.InputOffset())
		inObject := len(open) > 0 && open[len(open)-1] == '{'
		delim, isDelim := tok.(json.Delim)
		closes := isDelim && (delim == '}' || delim == ']')
		if !closes && inObject && naming {
			path[len(path)-1].name = tok.(string)
			naming = false
			if end > at {
				return path
			}
			continue
		}
		switch {
		case closes:
			open, path = open[:len(open)-1], path[:len(path)-1]
		case isDelim:
			if end > at {
				return path
			}
			open = append(open, delim)
			path = append(path, step{list: delim == '['})
			naming = delim == '{'
			continue
		case end > at:
			return path
		}
		// A value is over.
		if len(open) == 0 {
			return path
		}
		if open[len(open)-1] == '{' {
			naming = true
		} else {
			path[len(path)-1].index++
		}
	}
}

// fieldAt returns the field that a path leads to; nil for the message itself
// and for what is no field.
func fieldAt(d protoreflect.MessageDescriptor, path steps) protoreflect.FieldDescriptor {
	var fd protoreflect.FieldDescriptor
	for _, s := range path {
		switch {
		case s.list:
			continue
		case fd != nil && fd.IsMap():
			return fd.MapValue()
		case fd != nil && fd.Message() != nil:
			d = fd.Message()
		case fd != nil:
			return fd
		}
		if fd = d.Fields().ByJSONName(s.name); fd == nil {
			fd = d.Fields().ByName(protoreflect.Name(s.name))
		}
		if fd == nil {
			return nil
		}
	}
	return fd
}
