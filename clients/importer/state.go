package importer

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// State remembers, in a file, up to which line each table was acknowledged. It
// belongs to one service and one mapping: with another it begins anew, which
// is slow but harmless, because a record that is there stays as it is. A nil
// State remembers nothing.
type State struct {
	path  string
	saved saved
	begun bool
}

type saved struct {
	// Belongs is the hash of the service's address and the mapping.
	Belongs string `json:"belongs_to"`
	// Lines is the last acknowledged line, by SHA-256 of the table.
	Lines map[string]int `json:"acknowledged_lines"`
	// ErrorBytes is how much of the file of errors belongs to them.
	ErrorBytes int64 `json:"error_file_bytes"`
}

// OpenState reads a state file, which need not be there yet, for an import of
// a mapping into the service at address.
func OpenState(path, address string, m *Mapping) (*State, error) {
	sum := sha256.Sum256(append([]byte(address+"\x00"), m.text...))
	s := &State{path: path}
	fresh := saved{Belongs: hex.EncodeToString(sum[:]), Lines: map[string]int{}}
	b, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		s.saved = fresh
		return s, nil
	case err != nil:
		return nil, fmt.Errorf("importer: state file: %w", err)
	}
	if err := json.Unmarshal(b, &s.saved); err != nil || s.saved.Belongs == "" {
		return nil, fmt.Errorf("importer: state file %s is not one of this program; name another, or remove it to begin anew", path)
	}
	if s.saved.Belongs != fresh.Belongs || s.saved.Lines == nil {
		s.saved = fresh
	}
	return s, nil
}

// begin returns the last acknowledged line of a table, and sets the file of
// errors to where it was then.
func (s *State) begin(hash string, e *ErrorFile) (int, error) {
	if s == nil {
		if e.length() > 0 {
			return 0, nil // a later table of the same run
		}
		return 0, e.from(0)
	}
	if !s.begun {
		s.begun = true
		if err := e.from(s.saved.ErrorBytes); err != nil {
			return 0, err
		}
	}
	return s.saved.Lines[hash], nil
}

// acknowledge remembers that a table is done up to a line.
func (s *State) acknowledge(hash string, line int, e *ErrorFile) error {
	if s == nil || line <= s.saved.Lines[hash] {
		return nil
	}
	s.saved.Lines[hash] = line
	s.saved.ErrorBytes = e.length()
	b, err := json.MarshalIndent(s.saved, "", "  ")
	if err != nil {
		return fmt.Errorf("importer: state file: %w", err)
	}
	if err := replace(s.path, append(b, '\n')); err != nil {
		return fmt.Errorf("importer: state file: %w", err)
	}
	return nil
}

// replace writes a file so that it is the old or the new one, never half of
// one, whatever happens meanwhile.
func replace(path string, b []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".state-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // gone already when all went well
	_, err = f.Write(b)
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	return err
}
