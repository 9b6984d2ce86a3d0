package importer

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/reflect/protoreflect"
	"gopkg.in/yaml.v3"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// Version is the version of the mapping format that this program reads.
const Version = "1"

// maxMapping bounds a mapping file, in bytes.
const maxMapping = 1 << 20

// Mapping says how a table becomes reports. It never changes after Parse.
type Mapping struct {
	// Dataset is the short name of the data set.
	Dataset string
	// About says where the records come from and what to know about them.
	About string
	// Workplaces are those that the mapping names, with what it says about
	// them for whoever must add them first.
	Workplaces []WorkplaceHint

	encoding   string
	delimiter  rune
	zone       *time.Location // nil: the zone of the workplace
	id         *source
	title      *source
	report     []item
	release    []item
	harms      []harm
	codings    []coding
	attributes []attribute
	text       []byte
}

// WorkplaceHint is a workplace that a mapping files under.
type WorkplaceHint struct {
	// Name is its resource name.
	Name string
	// Title, Level and TimeZone are as the mapping proposes; may be empty.
	Title, Level, TimeZone string
}

// item is one field of a message and where its value comes from.
type item struct {
	fd  protoreflect.FieldDescriptor
	src *source
}

// attribute is a column of the source that is kept as it is.
type attribute struct {
	key string
	src *source
}

var (
	datasetForm   = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`)
	workplaceForm = regexp.MustCompile(`^workplaces/[a-z0-9][a-z0-9-]{0,62}$`)
)

// Parse reads a mapping file. The error is MappingErrors when the file is YAML
// and says something wrong.
func Parse(text []byte) (*Mapping, error) {
	if len(text) > maxMapping {
		return nil, fmt.Errorf("mapping: has %d bytes, at most %d are read", len(text), maxMapping)
	}
	if !utf8.Valid(text) {
		return nil, errors.New("mapping: is not UTF-8 text; save it as UTF-8")
	}
	var doc yaml.Node
	d := yaml.NewDecoder(bytes.NewReader(text))
	if err := d.Decode(&doc); err != nil {
		if errors.Is(err, io.EOF) {
			return nil, errors.New("mapping: is empty")
		}
		return nil, fmt.Errorf("mapping: %s", strings.TrimPrefix(err.Error(), "yaml: "))
	}
	if err := d.Decode(new(yaml.Node)); !errors.Is(err, io.EOF) {
		return nil, errors.New("mapping: holds more than one document; leave one")
	}
	p := &parser{}
	m := p.mapping(doc.Content[0])
	m.text = bytes.Clone(text)
	if err := p.errs.err(); err != nil {
		return nil, err
	}
	return m, nil
}

func (p *parser) mapping(n *yaml.Node) *Mapping {
	m := &Mapping{}
	f := p.fields(n, "", "fairlead_mapping", "dataset", "about", "file", "time_zone", "id", "title", "report", "harms",
		"codings", "attributes", "workplaces")
	for _, needed := range []string{"fairlead_mapping", "dataset", "id", "report"} {
		if f[needed] == nil && n.Kind == yaml.MappingNode {
			p.fail(n, "", "needs %s", needed)
		}
	}
	if c := f["fairlead_mapping"]; c != nil && p.text(c, "fairlead_mapping") != Version {
		p.fail(c, "fairlead_mapping", "must be %s, the version of the format that this program reads", Version)
	}
	if c := f["dataset"]; c != nil {
		if m.Dataset = p.text(c, "dataset"); !datasetForm.MatchString(m.Dataset) || m.Dataset == "here" {
			p.fail(c, "dataset", "must be 1 to 63 lower-case letters, digits and hyphens, and not `here`, which means reports filed here")
		}
	}
	if c := f["about"]; c != nil {
		m.About = p.text(c, "about")
	}
	if c := f["file"]; c != nil {
		p.file(c, m)
	}
	if c := f["time_zone"]; c != nil {
		zone, err := time.LoadLocation(p.text(c, "time_zone"))
		if err != nil || c.Value == "" || c.Value == "Local" {
			p.fail(c, "time_zone", "is not a time zone; write one such as Australia/Sydney")
		}
		m.zone = zone
	}
	if c := f["id"]; c != nil {
		m.id = p.source(c, "id", originDesc.Fields().ByName("source_id"), true)
	}
	if c := f["title"]; c != nil {
		m.title = p.source(c, "title", originDesc.Fields().ByName("title"), false)
	}
	if c := f["report"]; c != nil {
		p.report(c, m)
	}
	if c := f["harms"]; c != nil {
		for _, h := range p.items(c, "harms") {
			m.harms = append(m.harms, p.harm(h, fmt.Sprintf("harms[%d]", len(m.harms))))
		}
		if len(m.harms) > 50 {
			p.fail(c, "harms", "has more than 50 people")
		}
	}
	if c := f["codings"]; c != nil {
		for _, cc := range p.items(c, "codings") {
			m.codings = append(m.codings, p.coding(cc, fmt.Sprintf("codings[%d]", len(m.codings)), len(m.harms)))
		}
	}
	if c := f["attributes"]; c != nil {
		p.attributes(c, m)
	}
	p.workplaces(f["workplaces"], m)
	return m
}

func (p *parser) file(n *yaml.Node, m *Mapping) {
	f := p.fields(n, "file", "encoding", "delimiter")
	if c := f["encoding"]; c != nil {
		switch m.encoding = strings.ToLower(p.text(c, "file.encoding")); m.encoding {
		case "utf-8", "utf-16", "windows-1252":
		default:
			p.fail(c, "file.encoding", "must be utf-8, utf-16 or windows-1252")
		}
	}
	if c := f["delimiter"]; c != nil {
		switch d := c.Value; d {
		case ",", ";", "|":
			m.delimiter = rune(d[0])
		case "tab", "\t":
			m.delimiter = '\t'
		default:
			p.fail(c, "file.delimiter", `must be ",", ";", "|" or tab`)
		}
	}
}

func (p *parser) report(n *yaml.Node, m *Mapping) {
	f := p.fields(n, "report", append([]string{"release"}, reportItems...)...)
	required := map[string]bool{"kind": true, "workplace": true, "narrative": true}
	for _, name := range []string{"kind", "workplace", "narrative"} {
		if f[name] == nil && n.Kind == yaml.MappingNode {
			p.fail(n, "report", "needs %s", name)
		}
	}
	for _, name := range reportItems {
		if c := f[name]; c != nil {
			fd := reportDesc.Fields().ByName(protoreflect.Name(name))
			src := p.source(c, "report."+name, fd, required[name])
			if required[name] {
				p.mustHaveValue(c, "report."+name, src)
			}
			m.report = append(m.report, item{fd, src})
		}
	}
	if c := f["release"]; c != nil {
		m.release = p.itemsOf(c, "report.release", releaseDesc, releaseItems)
	}
}

// mustHaveValue refuses states without a value where the contract wants one.
func (p *parser) mustHaveValue(n *yaml.Node, path string, s *source) {
	bad := func(a *answer) bool { return a != nil && !a.refuse && a.text == "" }
	any := bad(s.constant) || bad(s.otherwise) || bad(&s.whenEmpty)
	for _, a := range s.values {
		any = any || bad(&a)
	}
	for _, r := range s.rules {
		any = any || bad(&r.answer)
	}
	if s.rules != nil && s.otherwise == nil {
		p.fail(n, path, "needs otherwise, because every report must have one")
	}
	if any {
		p.fail(n, path, "must have a value in every report; use refuse where there is none")
	}
}

// itemsOf reads the fields of a message that is part of a report.
func (p *parser) itemsOf(n *yaml.Node, path string, d protoreflect.MessageDescriptor, names []string) []item {
	f := p.fields(n, path, names...)
	var out []item
	for _, name := range names {
		if c := f[name]; c != nil {
			fd := d.Fields().ByName(protoreflect.Name(name))
			out = append(out, item{fd, p.source(c, path+"."+name, fd, false)})
		}
	}
	return out
}

// attributeText is any text field: attributes are a map, whose limits are
// checked by themselves.
var attributeText = originDesc.Fields().ByName("source_id")

func (p *parser) attributes(n *yaml.Node, m *Mapping) {
	seen := map[string]bool{}
	for _, e := range p.entries(n, "attributes") {
		key := e.key.Value
		if key == "" || utf8.RuneCountInString(key) > 64 || seen[key] {
			p.fail(e.key, "attributes", "%q: a name must be there once and have 1 to 64 characters", key)
		}
		seen[key] = true
		m.attributes = append(m.attributes, attribute{key, p.source(e.value, "attributes."+key, attributeText, false)})
	}
	if len(m.attributes) > 40 {
		p.fail(n, "attributes", "has %d names, at most 40 are kept", len(m.attributes))
	}
}

// workplaces collects the workplaces that constants and values name, with what
// the mapping proposes for them.
func (p *parser) workplaces(n *yaml.Node, m *Mapping) {
	hints := map[string]WorkplaceHint{}
	if n != nil {
		for _, e := range p.entries(n, "workplaces") {
			path := "workplaces." + e.key.Value
			f := p.fields(e.value, path, "title", "level", "time_zone")
			h := WorkplaceHint{Name: words.Workplace(e.key.Value)}
			if !workplaceForm.MatchString(h.Name) {
				p.fail(e.key, path, "must be 1 to 63 lower-case letters, digits and hyphens")
			}
			if c := f["title"]; c != nil {
				h.Title = p.text(c, path+".title")
			}
			if c := f["level"]; c != nil {
				level, err := words.Parse[pb.WorkplaceLevel](p.text(c, path+".level"))
				if err != nil {
					p.fail(c, path+".level", "%s", err)
				}
				h.Level = words.Slug(level)
			}
			if c := f["time_zone"]; c != nil {
				if h.TimeZone = p.text(c, path+".time_zone"); h.TimeZone != "" {
					if _, err := time.LoadLocation(h.TimeZone); err != nil {
						p.fail(c, path+".time_zone", "is not a time zone; write one such as Australia/Sydney")
					}
				}
			}
			hints[h.Name] = h
		}
	}
	for _, it := range m.report {
		if it.fd.Name() != "workplace" {
			continue
		}
		for _, name := range it.src.targets() {
			name = words.Workplace(name)
			if !workplaceForm.MatchString(name) {
				p.errs = append(p.errs, MappingError{it.src.line, it.src.path, fmt.Sprintf("%q is not the id of a workplace: lower-case letters, digits and hyphens", name)})
			}
			h := hints[name]
			h.Name = name
			m.Workplaces = append(m.Workplaces, h)
		}
	}
}

// targets returns the values that a source can give without a cell's own
// words, each once, in order.
func (s *source) targets() []string {
	set := map[string]bool{}
	add := func(a *answer) {
		if a != nil && a.text != "" {
			set[a.text] = true
		}
	}
	add(s.constant)
	add(s.otherwise)
	add(&s.whenEmpty)
	for _, a := range s.values {
		add(&a)
	}
	for _, r := range s.rules {
		add(&r.answer)
	}
	return sorted(set)
}
