package importer

import (
	"strings"
	"unicode"

	"google.golang.org/protobuf/reflect/protoreflect"
	"gopkg.in/yaml.v3"
)

// rule gives an answer when all its conditions hold.
type rule struct {
	when   []condition
	answer answer
	reason string // kept with an outcome
}

// condition looks at one cell.
type condition struct {
	line   int
	path   string
	column string

	oneOf   map[string]bool // folded cells
	atLeast *float64
	words   [][]string // phrases of folded words
	lacks   bool       // none of the words, instead of one of them
	empty   *bool
}

func (p *parser) rules(n *yaml.Node, path string, fd protoreflect.FieldDescriptor) []rule {
	var out []rule
	for _, c := range p.items(n, path) {
		f := p.fields(c, path, "when", "value", "reason")
		if f["when"] == nil || f["value"] == nil {
			p.fail(c, path, "each rule needs when and value")
			continue
		}
		r := rule{when: p.conditions(f["when"], path+".when"), answer: parseAnswer(p.text(f["value"], path+".value"))}
		p.try(f["value"], path+".value", fd, r.answer)
		if f["reason"] != nil {
			r.reason = p.text(f["reason"], path+".reason")
			if fd.Name() != "outcome" {
				p.fail(f["reason"], path+".reason", "is kept with an outcome only")
			} else if long := tooLong(outcomeDesc.Fields().ByName("reason"), r.reason); long != "" {
				p.fail(f["reason"], path+".reason", "%s", long)
			}
		}
		out = append(out, r)
	}
	return out
}

func (p *parser) conditions(n *yaml.Node, path string) []condition {
	var out []condition
	for _, c := range p.list(n, path) {
		f := p.fields(c, path, "column", "is", "at_least", "has_word", "lacks_word", "empty")
		cond := condition{line: c.Line, path: path}
		if f["column"] == nil || len(f) != 2 {
			p.fail(c, path, "needs column and one of is, at_least, has_word, lacks_word and empty")
			continue
		}
		cond.column = p.text(f["column"], path+".column")
		if v := f["is"]; v != nil {
			cond.oneOf = map[string]bool{}
			for _, s := range p.texts(v, path+".is") {
				cond.oneOf[foldCell(s)] = true
			}
		}
		if v := f["at_least"]; v != nil {
			x, ok := number(p.text(v, path+".at_least"))
			if !ok {
				p.fail(v, path+".at_least", "must be a number")
			}
			cond.atLeast = &x
		}
		for _, key := range []string{"has_word", "lacks_word"} {
			if f[key] == nil {
				continue
			}
			cond.lacks = key == "lacks_word"
			for _, s := range p.texts(f[key], path+"."+key) {
				ws := split(s)
				if len(ws) == 0 {
					p.fail(f[key], path+"."+key, "holds no word")
					continue
				}
				cond.words = append(cond.words, ws)
			}
		}
		if v := f["empty"]; v != nil {
			b, ok := yesNo(p.text(v, path+".empty"))
			if !ok {
				p.fail(v, path+".empty", "must be yes or no")
			}
			cond.empty = &b
		}
		out = append(out, cond)
	}
	return out
}

// holds reports whether a cell meets the condition. problem says what is wrong
// with a cell that cannot be looked at.
func (c condition) holds(cell string) (yes bool, problem string) {
	switch {
	case c.oneOf != nil:
		return c.oneOf[foldCell(cell)], ""
	case c.atLeast != nil:
		if cell == "" {
			return false, ""
		}
		x, ok := number(cell)
		if !ok {
			return false, "is not a plain number; write digits, or leave it empty"
		}
		return x >= *c.atLeast, ""
	case c.empty != nil:
		return (cell == "") == *c.empty, ""
	}
	ws := split(cell)
	for _, phrase := range c.words {
		if contains(ws, phrase) {
			return !c.lacks, ""
		}
	}
	return c.lacks, ""
}

// split returns the words of a text in lower case, without marks.
func split(s string) []string {
	return strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

// contains reports whether phrase stands in words, word after word.
func contains(words, phrase []string) bool {
next:
	for i := 0; i+len(phrase) <= len(words); i++ {
		for j, w := range phrase {
			if words[i+j] != w {
				continue next
			}
		}
		return true
	}
	return false
}
