package intake

import (
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "fairlead/proto/gen/fairlead/v1"
)

// silent are fields that change with every write or are told in other ways.
var silent = map[protoreflect.Name]bool{
	"name": true, "etag": true, "update_time": true, "receive_time": true, "change_reason": true, "short_code": true,
	"record_time": true, "recorder": true, "coder": true, "code_time": true, "harm_id": true,
}

// changed returns the names of the fields in which two states of a resource
// differ, in order of the contract; before is nil for the first. Fields of a
// harm carry its id, such as harms.h1.treatment; those of a coding stand below
// codings.
func changed(before, after proto.Message) []string {
	var out []string
	at := ""
	if c, ok := after.(*pb.Coding); ok {
		id := c.GetHarmId()
		if id == "" {
			id = codingOfReport
		}
		at = "codings." + id + "."
	}
	if before == nil {
		before = after.ProtoReflect().New().Interface()
	}
	diff(&out, at, before.ProtoReflect(), after.ProtoReflect())
	return out
}

func diff(out *[]string, at string, a, b protoreflect.Message) {
	fields := a.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		va, vb := a.Get(fd), b.Get(fd)
		if silent[fd.Name()] || a.Has(fd) == b.Has(fd) && va.Equal(vb) {
			continue
		}
		name := at + string(fd.Name())
		switch {
		case fd.Name() == "harms" && fd.IsList():
			diffHarms(out, name, va.List(), vb.List())
		case fd.Name() == "release" && a.Has(fd) && b.Has(fd):
			diff(out, name+".", va.Message(), vb.Message())
		default:
			*out = append(*out, name)
		}
	}
}

// diffHarms compares harms by their ids. A harm that is new is named as a
// whole.
func diffHarms(out *[]string, name string, a, b protoreflect.List) {
	old := map[string]*pb.Harm{}
	for i := range a.Len() {
		h := a.Get(i).Message().Interface().(*pb.Harm)
		old[h.GetHarmId()] = h
	}
	for i := range b.Len() {
		h := b.Get(i).Message().Interface().(*pb.Harm)
		at := name + "." + h.GetHarmId()
		was, ok := old[h.GetHarmId()]
		if !ok {
			*out = append(*out, at)
			continue
		}
		diff(out, at+".", was.ProtoReflect(), h.ProtoReflect())
	}
}
