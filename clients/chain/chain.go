package chain

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"io"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"

	pb "fairlead/proto/gen/fairlead/v1"
)

// Log checks a chain of changes as they come, oldest first, from the first.
type Log struct {
	// First and Last are the hashes of the first and the last change.
	First, Last string
	// Seq is how many changes there were.
	Seq int64
	// Recomputed of them had their hash computed anew from what was shown.
	// The others are of format 1 and hide who made them: of these only the
	// links could be checked.
	Recomputed int64

	at map[int64]string
}

// NewLog returns an empty log that remembers the hashes of some numbers.
func NewLog(remember ...int64) *Log {
	l := &Log{Last: strings.Repeat("0", 64), at: map[int64]string{}}
	for _, n := range remember {
		l.at[n] = ""
	}
	return l
}

// Add checks the next change.
func (l *Log) Add(c *pb.Change) error {
	if c.GetSequenceNumber() != l.Seq+1 {
		return fmt.Errorf("change %d follows change %d: something is missing between", c.GetSequenceNumber(), l.Seq)
	}
	if c.GetPreviousHash() != l.Last {
		return fmt.Errorf("change %d does not follow the change before: its previous_hash is another", c.GetSequenceNumber())
	}
	sum, shown, err := hashOf(c)
	if err != nil {
		return fmt.Errorf("change %d: %w", c.GetSequenceNumber(), err)
	}
	if shown {
		if sum != c.GetHash() {
			return fmt.Errorf("change %d was altered: its hash is not that of what it shows", c.GetSequenceNumber())
		}
		l.Recomputed++
	}
	l.Seq, l.Last = c.GetSequenceNumber(), c.GetHash()
	if l.Seq == 1 {
		l.First = l.Last
	}
	if _, ok := l.at[l.Seq]; ok {
		l.at[l.Seq] = l.Last
	}
	return nil
}

// Read checks a log that was saved with a change a line, as JSON.
func (l *Log) Read(r io.Reader) error {
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		line := bytes.TrimSpace(lines.Bytes())
		if len(line) == 0 {
			continue
		}
		c := &pb.Change{}
		if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(line, c); err != nil {
			return fmt.Errorf("after change %d: the line is not a change as JSON", l.Seq)
		}
		if err := l.Add(c); err != nil {
			return err
		}
	}
	return lines.Err()
}

// Covers checks that the log, to which the checkpoint's number was given to
// remember, is the one that was signed.
func (l *Log) Covers(c Checkpoint) error {
	switch {
	case l.Seq < c.Seq:
		return fmt.Errorf("the log ends with change %d, and %d were signed: its end was cut off, or it was saved before", l.Seq, c.Seq)
	case l.First != c.Origin:
		return fmt.Errorf("the checkpoint belongs to another log: the first change is another")
	case l.at[c.Seq] != c.Head:
		return fmt.Errorf("change %d is not the one that was signed: the log was rewritten at or before it", c.Seq)
	}
	return nil
}

// hashOf computes the hash of a change from what it shows, as DEVELOPERS.md
// says. shown is false when too much is hidden.
func hashOf(c *pb.Change) (sum string, shown bool, err error) {
	f := fields{}
	switch c.GetFormat() {
	case 1:
		if c.GetActor() == "" {
			return "", false, nil
		}
		f.text("fairlead change 1")
		f.hex(c.GetPreviousHash())
		f.number(c.GetSequenceNumber())
		f.number(c.GetChangeTime().AsTime().UnixMicro())
		f.text(c.GetActor())
		f.text(c.GetVerb())
		f.text(c.GetResource())
		f.text(c.GetResourceKind())
		f.number(c.GetRevision())
		f.hex(c.GetBodySha256())
		f.text(c.GetRequestId())
	case 2:
		f.text("fairlead change 2")
		f.hex(c.GetPreviousHash())
		f.number(c.GetSequenceNumber())
		f.text(c.GetVerb())
		f.text(c.GetResource())
		f.text(c.GetResourceKind())
		f.number(c.GetRevision())
		f.hex(c.GetWhoHash())
		f.hex(c.GetBodyHash())
	default:
		return "", false, fmt.Errorf("its format is %d, and this program knows 1 and 2: use a newer one", c.GetFormat())
	}
	if f.bad {
		return "", false, fmt.Errorf("a hash in it is not 64 hexadecimal digits")
	}
	h := sha256.Sum256(f.b)
	return hex.EncodeToString(h[:]), true, nil
}

// fields are what is hashed: each with its length before it.
type fields struct {
	b   []byte
	bad bool
}

func (f *fields) text(s string) {
	f.b = binary.BigEndian.AppendUint64(f.b, uint64(len(s)))
	f.b = append(f.b, s...)
}

func (f *fields) number(n int64) {
	f.b = binary.BigEndian.AppendUint64(f.b, 8)
	f.b = binary.BigEndian.AppendUint64(f.b, uint64(n))
}

func (f *fields) hex(s string) {
	b, err := hex.DecodeString(s)
	if err != nil || len(b) != sha256.Size {
		f.bad = true
	}
	f.text(string(b))
}
