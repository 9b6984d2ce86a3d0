package paging

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"

	"google.golang.org/protobuf/proto"
)

// ErrToken says that a page token is not one of ours, or belongs to another
// request.
var ErrToken = errors.New("paging: token does not belong to this request; start again without a page token")

// Tokens signs page tokens with a key that lives as long as the server.
type Tokens struct{ key []byte }

// New returns a Tokens with the given key, which must have at least 16 bytes.
func New(key []byte) *Tokens { return &Tokens{key: append([]byte(nil), key...)} }

// Make returns a token that goes on after position within the question that
// request asks. The caller clears page_token, page_size and
// min_sequence_number of request first, so that a token survives a change of
// page size.
func (t *Tokens) Make(request proto.Message, position string) string {
	mac := t.mac(request, position)
	raw := make([]byte, 0, len(position)+len(mac))
	raw = append(append(raw, mac...), position...)
	return base64.RawURLEncoding.EncodeToString(raw)
}

// Open returns the position in a token, or ErrToken. An empty token is the
// start and gives "".
func (t *Tokens) Open(request proto.Message, token string) (string, error) {
	if token == "" {
		return "", nil
	}
	raw, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if err != nil || len(raw) <= macSize {
		return "", ErrToken
	}
	position := string(raw[macSize:])
	if !hmac.Equal(raw[:macSize], t.mac(request, position)) {
		return "", ErrToken
	}
	return position, nil
}

const macSize = 16

func (t *Tokens) mac(request proto.Message, position string) []byte {
	// Deterministic within one binary is enough: a token need not outlive it.
	body, err := proto.MarshalOptions{Deterministic: true}.Marshal(request)
	if err != nil {
		body = nil
	}
	h := hmac.New(sha256.New, t.key)
	var n [8]byte
	binary.BigEndian.PutUint64(n[:], uint64(len(body)))
	h.Write(n[:])
	h.Write(body)
	h.Write([]byte(request.ProtoReflect().Descriptor().FullName()))
	h.Write([]byte{0})
	h.Write([]byte(position))
	return h.Sum(nil)[:macSize]
}
