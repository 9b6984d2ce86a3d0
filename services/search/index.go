package search

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"

	"github.com/blevesearch/bleve/v2"
	"github.com/blevesearch/bleve/v2/document"
	"github.com/blevesearch/bleve/v2/index/scorch"
	"github.com/blevesearch/bleve/v2/mapping"
	index "github.com/blevesearch/bleve_index_api"
	bolterrors "go.etcd.io/bbolt/errors"

	"fairlead/services/mask"
)

// ErrInUse says that another process has the index open.
var ErrInUse = errors.New("search: the index folder is in use by another process")

// errOtherVersion says that another version of this package made the index.
var errOtherVersion = errors.New("made by another version")

// shape numbers the shape of the documents. Raise it when newDocument or
// tokens change what they give for the same report.
const shape = 4

// schema names what the index was made with: a change of the shape, of what is
// covered, or of the table of English makes another name, and an index with
// another name is rebuilt.
func schema() string {
	sum := sha256.Sum256(englishCSV)
	return strconv.Itoa(shape) + "." + strconv.Itoa(mask.Rules) + "." + hex.EncodeToString(sum[:8])
}

// Keys of what the index keeps beside the documents.
var (
	keySchema = []byte("fairlead.schema")
	// keyMark holds the mark up to which the index holds everything.
	keyMark = []byte("fairlead.mark")
)

// Names within the folder that is given to Open: the index itself, and a file
// that is there when the index broke in use.
const (
	folder      = "index"
	damagedFile = "damaged"
)

// openIndex opens the index in dir, or makes an empty one when there is none,
// when it has another schema, or when it is damaged. why says in plain words
// why it was made anew, and is empty when it was opened as it is.
func openIndex(dir string, fresh bool) (idx bleve.Index, why string, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, "", fmt.Errorf("search: make index folder: %w", err)
	}
	path := filepath.Join(dir, folder)
	_, statErr := os.Stat(path)
	_, damagedErr := os.Stat(filepath.Join(dir, damagedFile))
	switch {
	case fresh:
		why = "asked for"
	case damagedErr == nil:
		why = "damaged: it broke in use"
	case errors.Is(statErr, os.ErrNotExist):
		why = "there was none"
	default:
		idx, err := reopen(path)
		if err == nil {
			return idx, "", nil
		}
		if errors.Is(err, ErrInUse) {
			return nil, "", err
		}
		why = err.Error()
	}
	if idx, err = create(path); err != nil {
		return nil, "", err
	}
	if err := os.Remove(filepath.Join(dir, damagedFile)); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, "", errors.Join(fmt.Errorf("search: %w", err), idx.Close())
	}
	return idx, why, nil
}

// boltTimeout is how long opening waits for another process to let go.
const boltTimeout = "2s"

func reopen(path string) (idx bleve.Index, err error) {
	// A damaged segment can make the library index past its end; that is a
	// reason to rebuild, not to die.
	defer func() {
		if p := recover(); p != nil {
			idx, err = nil, fmt.Errorf("damaged: %v", p)
		}
	}()
	idx, err = bleve.OpenUsing(path, map[string]any{"bolt_timeout": boltTimeout})
	if errors.Is(err, bolterrors.ErrTimeout) {
		return nil, ErrInUse
	}
	if err != nil {
		return nil, fmt.Errorf("damaged: %w", err)
	}
	made, err := idx.GetInternal(keySchema)
	if err == nil && string(made) != schema() {
		err = errOtherVersion
	}
	if err == nil {
		err = touch(idx)
	}
	if err != nil {
		return nil, errors.Join(err, idx.Close())
	}
	return idx, nil
}

// touch reads a little of every segment, so that a damaged file is found at
// the start and not in the middle of a search.
func touch(idx bleve.Index) error {
	adv, err := idx.Advanced()
	if err != nil {
		return fmt.Errorf("damaged: %w", err)
	}
	reader, err := adv.Reader()
	if err != nil {
		return fmt.Errorf("damaged: %w", err)
	}
	defer func() { _ = reader.Close() }()
	states, err := reader.FieldDict(fieldState)
	if err != nil {
		return fmt.Errorf("damaged: %w", err)
	}
	defer func() { _ = states.Close() }()
	listed := uint64(0)
	for {
		entry, err := states.Next()
		if err != nil {
			return fmt.Errorf("damaged: %w", err)
		}
		if entry == nil {
			break
		}
		tfr, err := reader.TermFieldReader(context.Background(), []byte(entry.Term), fieldState, false, false, false)
		if err != nil {
			return fmt.Errorf("damaged: %w", err)
		}
		listed += tfr.Count()
		_ = tfr.Close()
	}
	count, err := reader.DocCount()
	if err != nil {
		return fmt.Errorf("damaged: %w", err)
	}
	if listed != count {
		return fmt.Errorf("damaged: %d reports of %d have a state", listed, count)
	}
	return nil
}

func create(path string) (bleve.Index, error) {
	// Only the folder of the index itself is ever removed.
	if err := os.RemoveAll(path); err != nil {
		return nil, fmt.Errorf("search: remove old index: %w", err)
	}
	idx, err := bleve.NewUsing(path, staticMapping(), scorch.Name, scorch.Name, map[string]any{"bolt_timeout": boltTimeout})
	if err != nil {
		return nil, fmt.Errorf("search: make index: %w", err)
	}
	if err := idx.SetInternal(keySchema, []byte(schema())); err != nil {
		return nil, errors.Join(fmt.Errorf("search: make index: %w", err), idx.Close())
	}
	return idx, nil
}

// staticMapping maps nothing: documents are made field by field (newDocument),
// which leaves no room for a field that nobody meant to index, and for no
// composite of all fields.
func staticMapping() *mapping.IndexMappingImpl {
	m := bleve.NewIndexMapping()
	m.DefaultMapping = bleve.NewDocumentDisabledMapping()
	m.IndexDynamic, m.StoreDynamic, m.DocValuesDynamic = false, false, false
	return m
}

// batchOf gathers documents, and the mark up to which the index holds
// everything once they are in.
func batchOf(docs []*document.Document, at mark) *index.Batch {
	b := index.NewBatch()
	for _, d := range docs {
		b.Update(d)
	}
	b.SetInternal(keyMark, at.encode())
	return b
}

// mark is a place in the log: the number of a change and its hash.
type mark struct {
	seq  int64
	hash [32]byte
}

func (m mark) encode() []byte {
	return append(binary.BigEndian.AppendUint64(nil, uint64(m.seq)), m.hash[:]...)
}

// decodeMark reads a mark; what is no mark is the beginning of the log.
func decodeMark(b []byte) (m mark) {
	if len(b) == 8+len(m.hash) {
		m.seq = int64(binary.BigEndian.Uint64(b))
		copy(m.hash[:], b[8:])
	}
	return m
}
