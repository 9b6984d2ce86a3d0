package envelope

import (
	"encoding/binary"

	"google.golang.org/protobuf/encoding/protojson"

	pb "fairlead/proto/gen/fairlead/v1"
)

// Pack lays a message and the file that belongs to it out as they are sealed.
func Pack(content *pb.SealedContent, file []byte) ([]byte, error) {
	text, err := protojson.Marshal(content)
	if err != nil {
		return nil, err
	}
	out := binary.BigEndian.AppendUint32(make([]byte, 0, 4+len(text)+len(file)), uint32(len(text)))
	return append(append(out, text...), file...), nil
}

// unpack takes apart what was sealed. Fields that this version does not know are
// left out: a newer tablet may reach an older service, and its report must not
// be lost for it.
func unpack(open []byte) (*pb.SealedContent, []byte, error) {
	if len(open) < 4 {
		return nil, nil, ErrDamaged
	}
	n := binary.BigEndian.Uint32(open)
	if uint64(n) > uint64(len(open)-4) {
		return nil, nil, ErrDamaged
	}
	content := &pb.SealedContent{}
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(open[4:4+n], content); err != nil {
		return nil, nil, ErrDamaged
	}
	return content, open[4+n:], nil
}
