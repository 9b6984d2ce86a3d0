package record

import (
	"crypto/sha256"
	"fmt"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"fairlead/services/ledger"
)

// Request returns the ledger request of a mutation: who asks, the id that the
// caller minted, and a fingerprint of everything that was asked for. A replay
// carries the same id and the same fingerprint, which the ledger keys before it
// stores it. Passphrases, passwords and PINs are left out by the rooms all the
// same: whoever has the key as well could try them. Whether the call was a check
// only, and the id itself, are not part of it.
func Request(actor, id string, asked proto.Message) (ledger.Request, error) {
	m := proto.Clone(asked)
	for _, name := range []string{"request_id", "validate_only"} {
		if fd := m.ProtoReflect().Descriptor().Fields().ByName(protoreflect.Name(name)); fd != nil {
			m.ProtoReflect().Clear(fd)
		}
	}
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return ledger.Request{}, fmt.Errorf("record: encode %s: %w", m.ProtoReflect().Descriptor().Name(), err)
	}
	h := sha256.New()
	fmt.Fprintf(h, "%s\n%d\n", m.ProtoReflect().Descriptor().FullName(), len(body))
	h.Write(body)
	r := ledger.Request{Actor: actor, ID: id}
	h.Sum(r.Fingerprint[:0])
	return r, nil
}
