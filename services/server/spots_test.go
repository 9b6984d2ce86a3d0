package server_test

import (
	"slices"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// spot is one place in a request where a value can be put.
type spot struct {
	// steps lead to the message that holds the field: the first element of
	// lists, messages made where there are none.
	steps []protoreflect.FieldDescriptor
	field protoreflect.FieldDescriptor
	// path is how violations name the place; of a list, its first element.
	path string
	// rules are those of the contract for one value.
	rules *validate.FieldRules
	// outputs are fields that only the house says: what is sent in them is
	// not looked at.
	output bool
}

// spots returns every place of a request, however deep, from its descriptor.
func spots(d protoreflect.MessageDescriptor) []spot { return spotsBelow(d, nil, "", false) }

func spotsBelow(d protoreflect.MessageDescriptor, steps []protoreflect.FieldDescriptor, prefix string, output bool) []spot {
	var out []spot
	for i := range d.Fields().Len() {
		fd := d.Fields().Get(i)
		s := spot{steps: steps, field: fd, path: prefix + string(fd.Name()), rules: rulesOf(fd), output: output || outputOnly(fd)}
		out = append(out, s)
		if fd.Message() == nil || fd.IsMap() || fd.Message().FullName().Parent() == "google.protobuf" {
			continue
		}
		below := s.path
		if fd.IsList() {
			below += "[0]"
		}
		out = append(out, spotsBelow(fd.Message(), append(slices.Clone(steps), fd), below+".", s.output)...)
	}
	return out
}

func rulesOf(fd protoreflect.FieldDescriptor) *validate.FieldRules {
	r, _ := proto.GetExtension(fd.Options(), validate.E_Field).(*validate.FieldRules)
	return r
}

// outputOnly reports whether a field is the house's own by its annotation, or
// is one that a resource carries to and fro.
func outputOnly(fd protoreflect.FieldDescriptor) bool {
	behaviour, _ := proto.GetExtension(fd.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.Contains(behaviour, annotations.FieldBehavior_OUTPUT_ONLY) ||
		fd.FullName() == "fairlead.v1.Teller.name" ||
		fd.Name() == "etag" && fd.Parent().(protoreflect.MessageDescriptor).Fields().ByName("name") != nil
}

// holder returns the message that holds the field, making what is missing.
func (s spot) holder(m proto.Message) protoreflect.Message {
	at := m.ProtoReflect()
	for _, fd := range s.steps {
		if !fd.IsList() {
			at = at.Mutable(fd).Message()
			continue
		}
		list := at.Mutable(fd).List()
		if list.Len() == 0 {
			list.Append(list.NewElement())
		}
		at = list.Get(0).Message()
	}
	return at
}

// with returns a copy of a request with a value in the place; in a list it
// becomes the only element.
func (s spot) with(m proto.Message, v protoreflect.Value) proto.Message {
	m = proto.Clone(m)
	h := s.holder(m)
	if s.field.IsList() {
		h.Clear(s.field)
		h.Mutable(s.field).List().Append(v)
		return m
	}
	h.Set(s.field, v)
	return m
}

// element is the path of what with puts.
func (s spot) element() string {
	if s.field.IsList() {
		return s.path + "[0]"
	}
	return s.path
}

// one are the rules for one value: of a list, those of its elements.
func (s spot) one() *validate.FieldRules {
	if s.field.IsList() {
		return s.rules.GetRepeated().GetItems()
	}
	return s.rules
}

// pair returns a copy of a request with one more pair in a map.
func (s spot) pair(m proto.Message, key string, v protoreflect.Value) proto.Message {
	m = proto.Clone(m)
	s.holder(m).Mutable(s.field).Map().Set(protoreflect.ValueOfString(key).MapKey(), v)
	return m
}

// times returns a copy of a request with n elements in a list.
func (s spot) times(m proto.Message, n int) proto.Message {
	m = proto.Clone(m)
	list := s.holder(m).Mutable(s.field).List()
	first := list.NewElement()
	if list.Len() > 0 {
		first = list.Get(0)
	}
	list.Truncate(0)
	for range n {
		if s.field.Message() != nil {
			list.Append(protoreflect.ValueOfMessage(proto.Clone(first.Message().Interface()).ProtoReflect()))
			continue
		}
		list.Append(first)
	}
	return m
}
