package importer

import (
	"bufio"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"regexp"
	"strings"
)

// open opens a table; a name that ends in .gz is unpacked on the way.
func open(path string) (io.ReadCloser, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("importer: %w", err)
	}
	if !strings.HasSuffix(strings.ToLower(path), ".gz") {
		return f, nil
	}
	z, err := gzip.NewReader(bufio.NewReaderSize(f, 64<<10))
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("importer: %s ends in .gz and cannot be unpacked: %w", path, err)
	}
	return &packed{z, f}, nil
}

type packed struct {
	*gzip.Reader
	f *os.File
}

// Close closes the reader and the file.
func (p *packed) Close() error {
	err := p.Reader.Close()
	if ferr := p.f.Close(); err == nil {
		err = ferr
	}
	return err
}

// hashFile returns the SHA-256 of a file as it lies on disk.
func hashFile(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", fmt.Errorf("importer: %w", err)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", fmt.Errorf("importer: read %s: %w", path, err)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

var (
	index    = regexp.MustCompile(`\[[^\]]*\]`)
	toRecord = regexp.MustCompile(`^records\[[0-9]+\]\.`)
)

// columnOf returns the column behind a field that the service complains
// about, or "" when no column feeds it.
func (m *Mapping) columnOf(field string) string {
	field = index.ReplaceAllString(toRecord.ReplaceAllString(field, ""), "")
	return strings.Join(m.feeds()[field], ", ")
}

// feeds says which columns feed which field of an import record; indexes are
// left out of the paths.
func (m *Mapping) feeds() map[string][]string {
	out := map[string][]string{}
	add := func(path string, s *source) {
		if s == nil {
			return
		}
		out[path] = append(out[path], s.columns...)
		for _, r := range s.rules {
			for _, c := range r.when {
				out[path] = append(out[path], c.column)
			}
		}
		out[path] = unique(out[path])
	}
	all := func(path string, items []item) {
		for _, i := range items {
			add(path+"."+string(i.fd.Name()), i.src)
		}
	}
	add("report.origin.source_id", m.id)
	add("report.origin.title", m.title)
	for _, a := range m.attributes {
		add("report.origin.attributes", a.src)
	}
	all("report", m.report)
	all("report.release", m.release)
	for _, h := range m.harms {
		all("report.harms", h.items)
		add("report.harms.outcome_history", h.outcome)
		add("report.harms.outcome_history.outcome", h.outcome)
		add("report.harms.outcome_history.effective_date", h.outcomeFrom)
		for _, a := range h.absences {
			all("report.harms.absences", a)
		}
		for _, a := range h.restricted {
			all("report.harms.restrictions", a)
		}
	}
	for _, c := range m.codings {
		for _, f := range c.facets {
			add("codings."+string(f.fd.Name()), f.src)
		}
	}
	return out
}

func unique(in []string) []string {
	seen := map[string]bool{}
	var out []string
	for _, s := range in {
		if !seen[s] {
			seen[s] = true
			out = append(out, s)
		}
	}
	return out
}
