package server

import (
	"fmt"
	"unicode/utf8"

	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"fairlead/services/fault"
)

// maxMessage bounds a request: a batch of 500 imported records with long
// narratives fits, a file that somebody pasted into a field does not. Up to
// twice of it is read, so that it can be said in words; what is longer is cut
// off by the transport.
const maxMessage = 12 << 20

// incoming is a message on its way in, and what is wrong with it.
type incoming struct {
	message any
	wrong   error
}

// codec is the protobuf codec, but for incoming messages it never fails: it
// leaves the reason in them.
type codec struct{ encoding.CodecV2 }

// Unmarshal implements encoding.CodecV2.
func (c codec) Unmarshal(data mem.BufferSlice, v any) error {
	in, ok := v.(*incoming)
	if !ok {
		return c.CodecV2.Unmarshal(data, v)
	}
	if data.Len() > maxMessage {
		in.wrong = tooLong()
		return nil
	}
	if err := c.CodecV2.Unmarshal(data, in.message); err != nil {
		in.wrong = unreadable(in.message, data)
	}
	return nil
}

// unreadable says what is wrong with bytes that are no message: the field whose
// text is not UTF-8, where that is all.
func unreadable(into any, data mem.BufferSlice) error {
	if m, ok := into.(proto.Message); ok {
		if field := badText(m.ProtoReflect().Descriptor(), data.Materialize(), ""); field != "" {
			return fault.Invalid(fault.Violation{Field: field, Description: "is not UTF-8 text; convert it and send it again"})
		}
	}
	return fault.Invalid(fault.Violation{Description: "the message cannot be read: its encoding is broken or cut short; send it again from the original"})
}

// badText returns the path of the first text that is not UTF-8, or "" when
// there is none or the encoding itself is broken.
func badText(d protoreflect.MessageDescriptor, b []byte, prefix string) string {
	count := map[protowire.Number]int{}
	for len(b) > 0 {
		num, typ, n := protowire.ConsumeTag(b)
		if n < 0 {
			return ""
		}
		b = b[n:]
		if typ != protowire.BytesType {
			if n = protowire.ConsumeFieldValue(num, typ, b); n < 0 {
				return ""
			}
			b = b[n:]
			continue
		}
		v, n := protowire.ConsumeBytes(b)
		if n < 0 {
			return ""
		}
		b = b[n:]
		fd := d.Fields().ByNumber(num)
		if fd == nil {
			continue
		}
		path := prefix + string(fd.Name())
		if fd.IsList() {
			path += fmt.Sprintf("[%d]", count[num])
			count[num]++
		}
		switch {
		case fd.IsMap():
			if badText(fd.Message(), v, "") != "" {
				return path
			}
		case fd.Kind() == protoreflect.StringKind && !utf8.Valid(v):
			return path
		case fd.Message() != nil:
			if below := badText(fd.Message(), v, path+"."); below != "" {
				return below
			}
		}
	}
	return ""
}
