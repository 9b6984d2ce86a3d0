package importer

import (
	"fmt"
	"maps"
	"slices"

	"google.golang.org/protobuf/reflect/protoreflect"
	"gopkg.in/yaml.v3"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// harm is one person hurt in a row.
type harm struct {
	when        []condition // empty: in every row
	items       []item
	outcome     *source
	outcomeFrom *source
	absences    [][]item
	restricted  [][]item
}

func (p *parser) harm(n *yaml.Node, path string) harm {
	var h harm
	f := p.fields(n, path, append([]string{"when", "outcome", "outcome_from", "absences", "restrictions"}, harmItems...)...)
	if c := f["when"]; c != nil {
		h.when = p.conditions(c, path+".when")
	}
	for _, name := range harmItems {
		if c := f[name]; c != nil {
			fd := harmDesc.Fields().ByName(protoreflect.Name(name))
			h.items = append(h.items, item{fd, p.source(c, path+"."+name, fd, false)})
		}
	}
	if c := f["outcome"]; c != nil {
		h.outcome = p.source(c, path+".outcome", outcomeDesc.Fields().ByName("outcome"), false)
	}
	if c := f["outcome_from"]; c != nil {
		h.outcomeFrom = p.source(c, path+".outcome_from", outcomeDesc.Fields().ByName("effective_date"), false)
	}
	h.absences = p.absences(f["absences"], path+".absences")
	h.restricted = p.absences(f["restrictions"], path+".restrictions")
	return h
}

func (p *parser) absences(n *yaml.Node, path string) [][]item {
	if n == nil {
		return nil
	}
	var out [][]item
	for _, c := range p.items(n, path) {
		items := p.itemsOf(c, path, absenceDesc, absenceItems)
		if !slices.ContainsFunc(items, func(i item) bool { return i.fd.Name() == "first_date" }) {
			p.fail(c, path, "needs first_date")
		}
		out = append(out, items)
	}
	return out
}

// coding is one set of codes in a row.
type coding struct {
	harm        int // number of the harm, from 1; 0 for the report
	facets      []facet
	sourceCodes []attribute
	note        string
	edition     string
}

// facet is one code and where it comes from.
type facet struct {
	item
	walk    *crosswalk // nil: the cell holds the code itself
	split   string     // between several codes or keywords in one cell
	prefer  map[string]int
	several string
}

// How several codes in one facet become one.
const (
	severalFirst    = "first"    // the one preferred, else the first in the cell
	severalNone     = "none"     // no code: a person must decide
	severalTogether = "together" // bodily locations: the code for several
)

func (p *parser) coding(n *yaml.Node, path string, harms int) coding {
	var c coding
	f := p.fields(n, path, append([]string{"harm", "source_codes", "note", "edition"}, facetItems...)...)
	if v := f["harm"]; v != nil {
		if _, err := fmt.Sscanf(p.text(v, path+".harm"), "%d", &c.harm); err != nil || c.harm < 1 || c.harm > harms {
			p.fail(v, path+".harm", "must be the number of a person under harms, from 1 to %d", harms)
		}
	}
	for _, name := range facetItems {
		if v := f[name]; v != nil {
			c.facets = append(c.facets, p.facet(v, path+"."+name, name))
		}
	}
	if len(c.facets) == 0 && n.Kind == yaml.MappingNode {
		p.fail(n, path, "needs at least one of nature, bodily_location, mechanism, breakdown_agency and agency")
	}
	if v := f["source_codes"]; v != nil {
		for _, e := range p.entries(v, path+".source_codes") {
			c.sourceCodes = append(c.sourceCodes, attribute{e.key.Value,
				p.source(e.value, path+".source_codes."+e.key.Value, attributeText, false)})
		}
		if len(c.sourceCodes) > 10 {
			p.fail(v, path+".source_codes", "has %d names, at most 10 are kept", len(c.sourceCodes))
		}
	}
	if v := f["note"]; v != nil {
		c.note = p.text(v, path+".note")
	}
	if v := f["edition"]; v != nil {
		c.edition = p.text(v, path+".edition")
	}
	return c
}

func (p *parser) facet(n *yaml.Node, path, name string) facet {
	fd := codingDesc.Fields().ByName(protoreflect.Name(name))
	x := facet{item: item{fd: fd}, several: severalFirst}
	if n.Kind != yaml.MappingNode || p.peek(n, "crosswalk") == nil {
		x.src = p.source(n, path, fd, false)
		return x
	}
	f := p.fields(n, path, "column", "crosswalk", "split", "prefer", "several", "when_empty")
	if f["column"] == nil {
		p.fail(n, path, "needs column")
		x.src = &source{line: n.Line, path: path}
		return x
	}
	x.src = &source{line: n.Line, path: path, columns: []string{p.text(f["column"], path+".column")}, whenEmpty: notAsked}
	walks, err := crosswalks()
	if err != nil {
		p.fail(n, path, "%s", err)
	}
	walk := p.text(f["crosswalk"], path+".crosswalk")
	if x.walk = walks[walk]; x.walk == nil {
		p.fail(f["crosswalk"], path+".crosswalk", "%q is not known; known are %s", walk, crosswalkNames())
	} else if x.walk.facet != name {
		p.fail(f["crosswalk"], path+".crosswalk", "%s leads to %s, not to %s", walk, x.walk.facet, name)
	}
	if v := f["split"]; v != nil {
		x.split = v.Value
	}
	if v := f["prefer"]; v != nil {
		x.prefer = map[string]int{}
		for i, w := range p.texts(v, path+".prefer") {
			if x.walk != nil {
				if _, ok := x.walk.rows[foldKeyword(w)]; !ok {
					p.fail(v, path+".prefer", "%q is not in the crosswalk", w)
				}
			}
			x.prefer[foldKeyword(w)] = i
		}
	}
	if v := f["several"]; v != nil {
		x.several = p.text(v, path+".several")
		known := x.several == severalFirst || x.several == severalNone || (x.several == severalTogether && name == "bodily_location")
		if !known {
			p.fail(v, path+".several", "must be first or none, or for bodily_location together")
		}
	}
	if v := f["when_empty"]; v != nil {
		x.src.whenEmpty = parseAnswer(p.text(v, path+".when_empty"))
	}
	return x
}

// peek returns the child of a mapping node without complaining.
func (p *parser) peek(n *yaml.Node, key string) *yaml.Node {
	for i := 0; i+1 < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			return n.Content[i+1]
		}
	}
	return nil
}

// together returns the code for several bodily locations. Several places of
// one region take that region's code for several; several regions take group
// 6 (TOOCS 3.1; the rule itself is known from secondary sources).
func together(codes []string) string {
	regions := map[byte]bool{}
	onlyNeckAndShoulder := true
	for _, c := range codes {
		regions[c[0]] = true
		onlyNeckAndShoulder = onlyNeckAndShoulder && (c[0] == '2' || c == "410")
	}
	rs := slices.Sorted(maps.Keys(regions))
	switch s := string(rs); {
	case len(codes) == 1:
		return codes[0]
	case len(rs) == 1 && rs[0] >= '1' && rs[0] <= '5':
		return []string{"180", "218", "380", "480", "580"}[rs[0]-'1']
	case s == "24" && onlyNeckAndShoulder:
		return "660"
	case s == "23":
		return "610"
	case s == "12":
		return "620"
	case len(rs) == 2 && rs[0] == '1' && rs[1] <= '5':
		return "630"
	case s == "34" || s == "35" || s == "345":
		return "640"
	case s == "45":
		return "650"
	}
	return "680"
}

// originOf says how the codes of a coding came about.
func (c coding) originOf() pb.CodingOrigin {
	for _, f := range c.facets {
		if f.walk != nil {
			return pb.CodingOrigin_CODING_ORIGIN_CROSSWALK_NOT_REVIEWED
		}
	}
	return pb.CodingOrigin_CODING_ORIGIN_PERSON
}

// fieldWords names a facet in a note.
func fieldWords(fd protoreflect.FieldDescriptor) string {
	f, err := words.Parse[pb.Facet](string(fd.Name()))
	if err != nil {
		return string(fd.Name())
	}
	return words.Of(f)
}

func sorted(set map[string]bool) []string { return slices.Sorted(maps.Keys(set)) }
