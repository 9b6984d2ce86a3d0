package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "fairlead/proto/gen/fairlead/v1"
)

// Marks remembers the sequence number of the last own write.
type Marks interface {
	// Load returns the number, 0 when there is none.
	Load() int64
	// Save remembers a number. It may be lower than the last when the log of
	// the service turned out to be shorter.
	Save(sequenceNumber int64) error
}

// memory is a mark that lives as long as the client.
type memory struct {
	mu   sync.Mutex
	last int64
}

func (m *memory) Load() int64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.last
}

func (m *memory) Save(n int64) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.last = n
	return nil
}

// FileMark is a mark in a file, so that one command sees what the one before
// has written.
type FileMark struct{ path string }

// NewFileMark returns the mark of the service at address in a folder, which
// need not be there yet.
func NewFileMark(folder, address string) *FileMark {
	sum := sha256.Sum256([]byte(address))
	return &FileMark{path: filepath.Join(folder, hex.EncodeToString(sum[:8])+".seq")}
}

// Load returns the number in the file; a file that is missing or spoilt is no
// mark.
func (f *FileMark) Load() int64 {
	b, err := os.ReadFile(f.path)
	if err != nil {
		return 0
	}
	n, err := strconv.ParseInt(strings.TrimSpace(string(b)), 10, 64)
	if err != nil || n < 0 {
		return 0
	}
	return n
}

// Save writes the number.
func (f *FileMark) Save(n int64) error {
	if err := os.MkdirAll(filepath.Dir(f.path), 0o700); err != nil {
		return fmt.Errorf("api: remember last write: %w", err)
	}
	// Another command may read at this moment: the file is whole or old.
	tmp, err := os.CreateTemp(filepath.Dir(f.path), "seq-*")
	if err != nil {
		return fmt.Errorf("api: remember last write: %w", err)
	}
	_, err = tmp.WriteString(strconv.FormatInt(n, 10) + "\n")
	if cerr := tmp.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Rename(tmp.Name(), f.path)
	}
	if err != nil {
		_ = os.Remove(tmp.Name()) // already failing; the temporary file is all that is left to tidy
		return fmt.Errorf("api: remember last write: %w", err)
	}
	return nil
}

const minSequence = protoreflect.Name("min_sequence_number")

// expectOwnWrites returns the request with min_sequence_number set to the
// mark, where there is such a field and the caller left it open. The request
// itself is not touched: used again later, it must ask for the mark of then.
func (w *wire) expectOwnWrites(ctx context.Context, method string, req proto.Message) proto.Message {
	if !asksFor(req.ProtoReflect()) || w.o.Marks.Load() == 0 {
		return req
	}
	w.once.Do(func() { w.checkMark(ctx) })
	mark := w.o.Marks.Load()
	if mark == 0 {
		return req
	}
	c := proto.Clone(req)
	m := c.ProtoReflect()
	if fd := m.Descriptor().Fields().ByName(minSequence); fd != nil {
		m.Set(fd, protoreflect.ValueOfInt64(mark))
	} else {
		// ExportSummary carries it inside the summary it renders.
		in := m.Mutable(m.Descriptor().Fields().ByName("summary")).Message()
		in.Set(in.Descriptor().Fields().ByName(minSequence), protoreflect.ValueOfInt64(mark))
	}
	return c
}

// asksFor reports whether a request has an open min_sequence_number.
func asksFor(m protoreflect.Message) bool {
	if fd := m.Descriptor().Fields().ByName(minSequence); fd != nil {
		return m.Get(fd).Int() == 0
	}
	fd := m.Descriptor().Fields().ByName("summary")
	if fd == nil || fd.Kind() != protoreflect.MessageKind || !m.Has(fd) {
		return false
	}
	in := m.Get(fd).Message()
	inner := in.Descriptor().Fields().ByName(minSequence)
	return inner != nil && in.Get(inner).Int() == 0
}

// checkMark forgets a mark that the log of the service does not reach: that
// service was restored from an earlier copy or replaced, and waiting for the
// number would wait for ever. Where the caller may not see the head, the mark
// stays.
func (w *wire) checkMark(ctx context.Context) {
	var head pb.Head
	if err := w.invoke(ctx, pb.ChangeService_GetHead_FullMethodName, &pb.GetHeadRequest{}, &head, nil); err != nil {
		return
	}
	if mark := w.o.Marks.Load(); head.GetSequenceNumber() < mark {
		w.o.Warn(fmt.Sprintf("the log of this service ends at %d, but your last write was number %d: it was restored from an earlier copy, or is another one; tell whoever looks after it",
			head.GetSequenceNumber(), mark))
		w.save(0)
	}
}

// rememberWrite keeps the sequence number of a write.
func (w *wire) rememberWrite(method string, req proto.Message, reply any) {
	m, ok := reply.(proto.Message)
	if !ok || !writes(method, req.ProtoReflect()) {
		return
	}
	fd := m.ProtoReflect().Descriptor().Fields().ByName("sequence_number")
	if fd == nil {
		return
	}
	if n := m.ProtoReflect().Get(fd).Int(); n > w.o.Marks.Load() {
		w.save(n)
	}
}

// save warns when the mark cannot be kept: the write itself is safe.
func (w *wire) save(n int64) {
	if err := w.o.Marks.Save(n); err != nil {
		w.o.Warn(fmt.Sprintf("your write is stored, but the next command may not see it at once (%v)", err))
	}
}
