// Command contract writes src/gen/contract.ts: the messages that the tablet
// makes, as TypeScript types of their JSON form, from the descriptors of the
// contract. Types cost the bundle nothing; a test proves that they are fresh.
//
//	go generate ./clients/tablet
package main

import (
	"fmt"
	"os"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "fairlead/proto/gen/fairlead/v1"
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "give the file to write")
		os.Exit(2)
	}
	if err := os.WriteFile(os.Args[1], []byte(types()), 0o644); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// types returns the file.
func types() string {
	w := &writer{seen: map[protoreflect.FullName]bool{}}
	w.message((&pb.SealedContent{}).ProtoReflect().Descriptor())
	w.message((&pb.FileSealedResponse{}).ProtoReflect().Descriptor())
	return "// Made from proto/fairlead/v1 by `go generate ./clients/tablet`; not written by hand.\n" + strings.Join(w.out, "")
}

type writer struct {
	seen map[protoreflect.FullName]bool
	out  []string
}

// message writes an interface, and those that it needs after it.
func (w *writer) message(d protoreflect.MessageDescriptor) {
	if w.seen[d.FullName()] {
		return
	}
	w.seen[d.FullName()] = true
	var b strings.Builder
	fmt.Fprintf(&b, "\nexport interface %s {\n", d.Name())
	at := len(w.out)
	w.out = append(w.out, "")
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		fmt.Fprintf(&b, "  %s?: %s;\n", f.JSONName(), w.field(f))
	}
	b.WriteString("}\n")
	w.out[at] = b.String()
}

func (w *writer) field(f protoreflect.FieldDescriptor) string {
	switch {
	case f.IsMap():
		return "Record<string, " + w.single(f.MapValue()) + ">"
	case f.IsList():
		return w.single(f) + "[]"
	}
	return w.single(f)
}

func (w *writer) single(f protoreflect.FieldDescriptor) string {
	switch f.Kind() {
	case protoreflect.BoolKind:
		return "boolean"
	case protoreflect.EnumKind:
		w.enum(f.Enum())
		return string(f.Enum().Name())
	case protoreflect.Int32Kind, protoreflect.Uint32Kind, protoreflect.DoubleKind, protoreflect.FloatKind:
		return "number"
	case protoreflect.MessageKind:
		if f.Message().ParentFile().Package() == "google.protobuf" {
			return "string" // times and durations are strings in JSON
		}
		w.message(f.Message())
		return string(f.Message().Name())
	}
	return "string" // strings, and 64-bit numbers and bytes, which JSON has as strings
}

func (w *writer) enum(d protoreflect.EnumDescriptor) {
	if w.seen[d.FullName()] {
		return
	}
	w.seen[d.FullName()] = true
	var values []string
	for i := range d.Values().Len() {
		values = append(values, fmt.Sprintf("%q", d.Values().Get(i).Name()))
	}
	w.out = append(w.out, fmt.Sprintf("\nexport type %s =\n  | %s;\n", d.Name(), strings.Join(values, "\n  | ")))
}
