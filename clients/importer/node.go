package importer

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"gopkg.in/yaml.v3"
)

// MappingError is one mistake in a mapping file.
type MappingError struct {
	// Line is the line of the mapping file, counted from 1.
	Line int
	// Path is where in the mapping it is, such as report.kind.values.
	Path string
	// Problem says what is wrong and what to do.
	Problem string
}

// Error names line and place.
func (e MappingError) Error() string {
	if e.Path == "" {
		return fmt.Sprintf("line %d: %s", e.Line, e.Problem)
	}
	return fmt.Sprintf("line %d: %s: %s", e.Line, e.Path, e.Problem)
}

// MappingErrors are all mistakes of a mapping file.
type MappingErrors []MappingError

// Error lists them, one a line.
func (es MappingErrors) Error() string {
	out := make([]string, len(es))
	for i, e := range es {
		out[i] = e.Error()
	}
	return strings.Join(out, "\n")
}

// err returns the errors in order of line, or nil.
func (es MappingErrors) err() error {
	if len(es) == 0 {
		return nil
	}
	sort.SliceStable(es, func(i, j int) bool { return es[i].Line < es[j].Line })
	return es
}

// parser walks the nodes of a mapping file and collects mistakes.
type parser struct{ errs MappingErrors }

func (p *parser) fail(n *yaml.Node, path, format string, args ...any) {
	p.errs = append(p.errs, MappingError{Line: n.Line, Path: path, Problem: fmt.Sprintf(format, args...)})
}

// fields returns the children of a mapping node by key, and complains about
// keys that are not allowed or are there twice. allowed empty allows all.
func (p *parser) fields(n *yaml.Node, path string, allowed ...string) map[string]*yaml.Node {
	out := map[string]*yaml.Node{}
	for _, e := range p.entries(n, path) {
		key := e.key.Value
		switch _, twice := out[key]; {
		case twice:
			p.fail(e.key, path, "%s is there twice; leave one", key)
		case len(allowed) > 0 && !slices.Contains(allowed, key):
			p.fail(e.key, path, "%q is not known here; known are %s", key, strings.Join(allowed, ", "))
		default:
			out[key] = e.value
		}
	}
	return out
}

type entry struct{ key, value *yaml.Node }

// entries returns the pairs of a mapping node in their order.
func (p *parser) entries(n *yaml.Node, path string) []entry {
	if n.Kind != yaml.MappingNode {
		p.fail(n, path, "must hold `name: value` lines")
		return nil
	}
	var out []entry
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, v := n.Content[i], n.Content[i+1]
		if k.Kind != yaml.ScalarNode || v.Kind == yaml.AliasNode || k.Value == "<<" {
			p.fail(k, path, "anchors, aliases and merges are not read; write it out")
			continue
		}
		out = append(out, entry{k, v})
	}
	return out
}

// items returns the children of a list.
func (p *parser) items(n *yaml.Node, path string) []*yaml.Node {
	if n.Kind != yaml.SequenceNode {
		p.fail(n, path, "must be a list: lines that begin with a hyphen")
		return nil
	}
	for _, c := range n.Content {
		if c.Kind == yaml.AliasNode {
			p.fail(c, path, "anchors, aliases and merges are not read; write it out")
			return nil
		}
	}
	return n.Content
}

// text returns the words of a scalar. Types are not looked at: NO is a country
// and 007 an id.
func (p *parser) text(n *yaml.Node, path string) string {
	if n.Kind != yaml.ScalarNode {
		p.fail(n, path, "must be a single value")
		return ""
	}
	return strings.TrimSpace(n.Value)
}

// texts returns the words of a list, or of a single value.
func (p *parser) texts(n *yaml.Node, path string) []string {
	if n.Kind == yaml.ScalarNode {
		return []string{p.text(n, path)}
	}
	var out []string
	for _, c := range p.items(n, path) {
		out = append(out, p.text(c, path))
	}
	return out
}

// list returns a list, or a single value as a list of one.
func (p *parser) list(n *yaml.Node, path string) []*yaml.Node {
	if n.Kind == yaml.SequenceNode {
		return p.items(n, path)
	}
	return []*yaml.Node{n}
}
