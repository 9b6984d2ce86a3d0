package retention

import (
	"bytes"
	"context"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/mask"
	"fairlead/services/record"
)

// written makes an empty message of each kind in which people write about a
// report.
var written = map[string]func() proto.Message{
	record.KindReport:     func() proto.Message { return &pb.Report{} },
	record.KindCoding:     func() proto.Message { return &pb.Coding{} },
	record.KindMessage:    func() proto.Message { return &pb.ReportMessage{} },
	record.KindAttachment: func() proto.Message { return &pb.Attachment{} },
}

// nameWords are the words of all names that a person had on record, as they are
// looked for in what people write: in small letters, short and common words left
// out.
func (s *Service) nameWords(ctx context.Context, person string) ([]string, error) {
	changes, err := s.Ledger.History(ctx, person)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, c := range changes {
		p := &pb.Person{}
		if len(c.Body) == 0 {
			continue
		}
		if err := record.Read(c.Body, c.Revision, p); err != nil {
			return nil, err
		}
		for _, w := range mask.PersonWords(p.GetDisplayName()) {
			if !slices.Contains(out, w) {
				out = append(out, w)
			}
		}
	}
	return out, nil
}

// writes reports whether one of the words stands in what a change wrote.
func writes(c ledger.Change, words []string) (bool, error) {
	empty := written[c.Kind]
	if empty == nil || len(c.Body) == 0 {
		return false, nil
	}
	// Most bodies have none of the letters in that order: they are not decoded.
	small := bytes.ToLower(c.Body)
	if !slices.ContainsFunc(words, func(w string) bool { return bytes.Contains(small, []byte(w)) }) {
		return false, nil
	}
	m := empty()
	if err := record.Read(c.Body, c.Revision, m); err != nil {
		return false, err
	}
	return hasWord(m.ProtoReflect(), words), nil
}

// hasWord goes through all texts of a message.
func hasWord(m protoreflect.Message, words []string) (found bool) {
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.IsMap():
		case fd.IsList():
			for i := range v.List().Len() {
				found = found || valueHas(fd, v.List().Get(i), words)
			}
		default:
			found = valueHas(fd, v, words)
		}
		return !found
	})
	return found
}

func valueHas(fd protoreflect.FieldDescriptor, v protoreflect.Value, words []string) bool {
	switch fd.Kind() {
	case protoreflect.MessageKind:
		return hasWord(v.Message(), words)
	case protoreflect.StringKind:
		return slices.ContainsFunc(mask.PlaceWords(v.String()), func(w string) bool { return slices.Contains(words, w) })
	}
	return false
}
