package access

import (
	"sync"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "fairlead/proto/gen/fairlead/v1"
)

// Net looks at every answer once more before it leaves, and takes out what is
// more sensitive than its reader is cleared for. Rooms narrow what they say
// themselves; if the net ever has anything to do, a room has a fault, and a test
// fails. It knows nothing of rooms: it goes by the marks of the contract.
type Net struct {
	marks sync.Map // protoreflect.FullName -> *marks
}

// marks are what the contract says of a message.
type marks struct {
	fields []mark
	// most is the highest level in it or below it, and any whether identities or
	// fields that are kept only are: a message of figures is passed at a glance.
	most int32
	any  bool
}

type mark struct {
	field    protoreflect.FieldDescriptor
	level    int32
	identity bool
	kept     bool
	// below are the marks of the messages in the field; nil when it has none of
	// this contract.
	below protoreflect.MessageDescriptor
}

// Clear returns an answer without what c does not allow, and the full names of
// the fields that it cleared, once for each time. The answer itself, which its
// room may keep, is not touched: it is returned as it is, or a copy.
func (n *Net) Clear(c Clearance, m proto.Message) (proto.Message, []protoreflect.FullName) {
	if m == nil {
		return nil, nil
	}
	var out []protoreflect.FullName
	if n.pass(c, m.ProtoReflect(), false, &out); len(out) == 0 {
		return m, nil
	}
	m = proto.Clone(m)
	n.pass(c, m.ProtoReflect(), true, new([]protoreflect.FullName))
	return m, out
}

// pass visits what c does not allow, and clears it if it is to.
func (n *Net) pass(c Clearance, m protoreflect.Message, clear bool, out *[]protoreflect.FullName) {
	k := n.of(m.Descriptor())
	if k == nil || k.most <= c.Level && (c.Identities && !n.keeps(m.Descriptor()) || !k.any) {
		return
	}
	for _, f := range k.fields {
		if !m.Has(f.field) {
			continue
		}
		if f.kept || f.level > c.Level || f.identity && !c.Identities {
			if clear {
				m.Clear(f.field)
			}
			*out = append(*out, f.field.FullName())
			continue
		}
		if f.below == nil {
			continue
		}
		switch v := m.Get(f.field); {
		case f.field.IsMap():
			v.Map().Range(func(_ protoreflect.MapKey, v protoreflect.Value) bool {
				n.pass(c, v.Message(), clear, out)
				return true
			})
		case f.field.IsList():
			for i := range v.List().Len() {
				n.pass(c, v.List().Get(i).Message(), clear, out)
			}
		default:
			n.pass(c, v.Message(), clear, out)
		}
	}
}

// keeps reports whether a message, or one in it, has a field that is kept only.
func (n *Net) keeps(d protoreflect.MessageDescriptor) bool {
	for _, f := range n.of(d).fields {
		if f.kept || f.below != nil && f.below != d && n.of(f.below) != nil && n.keeps(f.below) {
			return true
		}
	}
	return false
}

// of returns the marks of a message; nil for one of another contract.
func (n *Net) of(d protoreflect.MessageDescriptor) *marks {
	if k, ok := n.marks.Load(d.FullName()); ok {
		return k.(*marks)
	}
	k := n.read(d, nil)
	n.marks.Store(d.FullName(), k)
	return k
}

func (n *Net) read(d protoreflect.MessageDescriptor, above []protoreflect.MessageDescriptor) *marks {
	if !ours(d) {
		return nil
	}
	for _, a := range above {
		if a == d {
			return &marks{most: 3, any: true} // within itself: looked at, never passed
		}
	}
	usual, said := FieldsLevel(d)
	if !said {
		usual = 3 // what nobody thought about goes to nobody
	}
	k := &marks{}
	for i := range d.Fields().Len() {
		f := mark{field: d.Fields().Get(i), level: usual}
		o := f.field.Options()
		below := f.field.Message()
		if f.field.IsMap() {
			below = f.field.MapValue().Message()
		}
		if below != nil && ours(below) {
			f.below, f.level = below, 0
			b := n.read(below, append(above, d))
			k.most, k.any = max(k.most, b.most), k.any || b.any
		}
		if proto.HasExtension(o, pb.E_Sensitivity) {
			f.level = proto.GetExtension(o, pb.E_Sensitivity).(int32)
		}
		f.identity, _ = proto.GetExtension(o, pb.E_Identity).(bool)
		f.kept, _ = proto.GetExtension(o, pb.E_KeptOnly).(bool)
		k.most, k.any = max(k.most, f.level), k.any || f.identity || f.kept
		k.fields = append(k.fields, f)
	}
	return k
}

// FieldsLevel returns how sensitive the fields of a message are that do not say
// otherwise; said is false when the contract does not say.
func FieldsLevel(d protoreflect.MessageDescriptor) (level int32, said bool) {
	if !proto.HasExtension(d.Options(), pb.E_FieldsSensitivity) {
		return 0, false
	}
	return proto.GetExtension(d.Options(), pb.E_FieldsSensitivity).(int32), true
}

func ours(d protoreflect.MessageDescriptor) bool {
	return d.ParentFile().Package() == "fairlead.v1" && !d.IsMapEntry()
}
