package record

import (
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"fairlead/services/fault"
)

// Apply copies from src to dst the fields that mask names. Without a mask it
// copies those that are set in src (AIP-134): whoever reads a resource, changes
// a field and sends all of it back changes that field only.
//
// open lists the paths that may be changed; a dotted path reaches into a single
// message, and a path that is open opens what is below it. Anything else that a
// mask names, or that is set without one and differs from dst, is a violation.
// at is the path of src in the request, such as "report". dst is changed only
// when there is no violation.
func Apply(dst, src proto.Message, mask *fieldmaskpb.FieldMask, open []string, at string) fault.Violations {
	var vs fault.Violations
	paths := mask.GetPaths()
	if len(paths) == 0 {
		paths = nil
		src.ProtoReflect().Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
			name := string(fd.Name())
			switch {
			case slices.Contains(open, name):
				paths = append(paths, name)
			case name == "name" || name == "etag" || outputOnly(fd):
			case !dst.ProtoReflect().Has(fd) || !dst.ProtoReflect().Get(fd).Equal(v):
				vs.Add(at+"."+name, "cannot be changed here; leave it out, or send it as it was read")
			}
			return true
		})
	}
	for _, path := range paths {
		if !opens(open, path) || !exists(dst.ProtoReflect().Descriptor(), path) {
			vs.Add("update_mask", "names "+shown(path)+", which cannot be changed here; what can: "+strings.Join(open, ", "))
		}
	}
	if len(vs) > 0 {
		return vs
	}
	// What is copied is the caller's no longer: the room goes on to work on dst.
	src = proto.Clone(src)
	for _, path := range paths {
		copyPath(dst.ProtoReflect(), src.ProtoReflect(), strings.Split(path, "."))
	}
	return nil
}

func outputOnly(fd protoreflect.FieldDescriptor) bool {
	behaviour, _ := proto.GetExtension(fd.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.Contains(behaviour, annotations.FieldBehavior_OUTPUT_ONLY)
}

func opens(open []string, path string) bool {
	return slices.ContainsFunc(open, func(o string) bool { return path == o || strings.HasPrefix(path, o+".") })
}

// exists reports whether a path leads to a field through single messages.
func exists(d protoreflect.MessageDescriptor, path string) bool {
	steps := strings.Split(path, ".")
	for i, step := range steps {
		fd := d.Fields().ByName(protoreflect.Name(step))
		if fd == nil {
			return false
		}
		if i == len(steps)-1 {
			return true
		}
		if fd.Message() == nil || fd.IsList() || fd.IsMap() {
			return false
		}
		d = fd.Message()
	}
	return false
}

func copyPath(dst, src protoreflect.Message, steps []string) {
	fd := dst.Descriptor().Fields().ByName(protoreflect.Name(steps[0]))
	if len(steps) == 1 {
		if src.Has(fd) {
			dst.Set(fd, src.Get(fd))
		} else {
			dst.Clear(fd)
		}
		return
	}
	if !src.Has(fd) && !dst.Has(fd) {
		return
	}
	copyPath(dst.Mutable(fd).Message(), src.Get(fd).Message(), steps[1:])
}

// shown cuts what a caller may have put where a path belongs.
func shown(path string) string {
	const most = 64
	for i := range len(path) {
		c := path[i]
		if i == most || c != '.' && c != '_' && (c < '0' || c > '9') && (c < 'A' || c > 'Z') && (c < 'a' || c > 'z') {
			return path[:i] + "…"
		}
	}
	return path
}
