package keep

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"fairlead/services/ledger"
)

// Names of the files of a backup.
const (
	manifestFile   = "manifest.txt"
	ledgerFile     = "ledger.db"
	accessFile     = "access.yaml"
	checkpointFile = "checkpoint.txt"
	publicFile     = "checkpoint.pub"
	erasuresFile   = "erasures.jsonl"
	demoFile       = "demonstration.txt"
	sealingFolder  = "sealing"
)

// mayHold says which paths a backup may have: nothing leads out of the folder,
// and nothing lands in one that the house does not know.
var mayHold = regexp.MustCompile(`^(ledger\.db|access\.yaml|checkpoint\.txt|checkpoint\.pub|erasures\.jsonl|demonstration\.txt|files/[0-9a-f]{2}/[0-9a-f]{62}|sealing/[A-Za-z0-9_-][A-Za-z0-9._-]{0,99})$`)

// manifestVersion is the first line.
const manifestVersion = "fairlead backup 1"

// maxManifest bounds what is read of a manifest: a million files.
const maxManifest = 256 << 20

// errManifest says that a manifest is none, or not the one that was written.
var errManifest = errors.New("manifest.txt is damaged or not that of a backup")

// File is one file of a backup.
type File struct {
	// Path is relative to the backup, with slashes.
	Path string
	// Size is in bytes.
	Size   int64
	SHA256 [32]byte
}

// Manifest says what a backup holds.
type Manifest struct {
	// Made is when the backup was made, to the second.
	Made time.Time
	// Head is the end of the log in it, without its time.
	Head ledger.Head
	// Files are in the order of their paths.
	Files []File
}

// Text returns the manifest in its one form.
func (m Manifest) Text() []byte {
	slices.SortFunc(m.Files, func(a, b File) int { return strings.Compare(a.Path, b.Path) })
	b := fmt.Appendf(nil, "%s\nmade %s\nsequence_number %d\nhead_hash %x\n", manifestVersion,
		m.Made.UTC().Format(time.RFC3339), m.Head.Seq, m.Head.Hash)
	for _, f := range m.Files {
		b = fmt.Appendf(b, "file %x %d %s\n", f.SHA256, f.Size, f.Path)
	}
	return fmt.Appendf(b, "end %x\n", sha256.Sum256(b))
}

// parseManifest reads what Text writes and nothing else.
func parseManifest(text []byte) (Manifest, error) {
	var m Manifest
	at := bytes.LastIndex(text, []byte("\nend "))
	if at < 0 {
		return m, errManifest
	}
	sum := sha256.Sum256(text[:at+1])
	if string(text[at+1:]) != "end "+hex.EncodeToString(sum[:])+"\n" {
		return m, errManifest
	}
	lines := strings.Split(string(text[:at]), "\n")
	if lines[0] != manifestVersion {
		return m, fmt.Errorf("%w: this program reads %q, and it begins with another line: restore it with the program that made it or a newer one", errManifest, manifestVersion)
	}
	if len(lines) < 4 {
		return m, errManifest
	}
	var made, seq, head string
	for i, to := range []*string{&made, &seq, &head} {
		var ok bool
		if *to, ok = strings.CutPrefix(lines[i+1], []string{"made ", "sequence_number ", "head_hash "}[i]); !ok {
			return m, errManifest
		}
	}
	var err, err2 error
	m.Made, err = time.Parse(time.RFC3339, made)
	m.Head.Seq, err2 = strconv.ParseInt(seq, 10, 64)
	if err != nil || err2 != nil || !unhex(head, &m.Head.Hash) {
		return m, errManifest
	}
	for _, line := range lines[4:] {
		var f File
		parts := strings.SplitN(line, " ", 4)
		if len(parts) != 4 || parts[0] != "file" || !unhex(parts[1], &f.SHA256) {
			return m, errManifest
		}
		f.Path = parts[3]
		if f.Size, err = strconv.ParseInt(parts[2], 10, 64); err != nil || f.Size < 0 || !mayHold.MatchString(f.Path) {
			return m, errManifest
		}
		m.Files = append(m.Files, f)
	}
	if !bytes.Equal(m.Text(), text) {
		return m, errManifest
	}
	return m, nil
}

func unhex(s string, to *[32]byte) bool {
	b, err := hex.DecodeString(s)
	return err == nil && len(b) == len(to) && copy(to[:], b) == len(to)
}

// tally hashes and counts what is read through it.
func tally(path string, to io.Writer, from io.Reader) (File, error) {
	h := sha256.New()
	n, err := io.Copy(io.MultiWriter(to, h), from)
	return File{Path: path, Size: n, SHA256: [32]byte(h.Sum(nil))}, err
}
