package importer

import (
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"
	"gopkg.in/yaml.v3"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// answer is what a mapping says about one item of one row: a value in words,
// a state without a value, or that the row must be refused.
type answer struct {
	text   string
	state  pb.AnswerState // when there is no text
	refuse bool
}

var (
	notAsked = answer{state: pb.AnswerState_ANSWER_STATE_NOT_ASKED}
	refuse   = answer{refuse: true}
)

// parseAnswer reads a target word: a value, `not-known`, `does-not-apply`,
// `not-asked` or `refuse`.
func parseAnswer(s string) answer {
	if s == "refuse" {
		return refuse
	}
	if st, err := words.Parse[pb.AnswerState](s); err == nil && st != pb.AnswerState_ANSWER_STATE_KNOWN {
		return answer{state: st}
	}
	return answer{text: s}
}

// source is where the value of an item comes from.
type source struct {
	line int    // in the mapping
	path string // in the mapping

	columns  []string // cells, joined by between
	between  string
	constant *answer
	rules    []rule

	values    map[string]answer // by folded cell
	otherwise *answer           // a cell that values or rules do not name
	whenEmpty answer

	layout    layout
	precision pb.TimePrecision
}

// sourceKeys are the keys of a source.
var sourceKeys = []string{"column", "columns", "between", "constant", "answer", "rules", "values", "otherwise",
	"when_empty", "format", "precision"}

// source reads a source for a field. A single word is the name of a column.
func (p *parser) source(n *yaml.Node, path string, fd protoreflect.FieldDescriptor, required bool) *source {
	s := &source{line: n.Line, path: path, whenEmpty: notAsked, layout: isoDay, between: "\n\n"}
	if required {
		s.whenEmpty = refuse
	}
	if n.Kind == yaml.ScalarNode {
		if name := p.text(n, path); name == "" {
			p.fail(n, path, "names no column")
		} else {
			s.columns = []string{name}
		}
		return s
	}
	f := p.fields(n, path, sourceKeys...)
	ways := 0
	for _, key := range []string{"column", "columns", "constant", "answer", "rules"} {
		if f[key] != nil {
			ways++
		}
	}
	if ways != 1 && n.Kind == yaml.MappingNode {
		p.fail(n, path, "needs exactly one of column, columns, constant, answer and rules")
	}
	if c := f["column"]; c != nil {
		s.columns = []string{p.text(c, path+".column")}
	}
	if c := f["columns"]; c != nil {
		s.columns = p.texts(c, path+".columns")
	}
	for _, c := range s.columns {
		if c == "" {
			p.fail(n, path, "names no column")
		}
	}
	if c := f["between"]; c != nil {
		s.between = c.Value // spaces count
	}
	p.fixed(f, path, s, fd)
	if c := f["rules"]; c != nil {
		s.rules = p.rules(c, path+".rules", fd)
	}
	p.replies(f, path, s, fd)
	p.dates(f, path, s, fd)
	return s
}

// fixed reads constant and answer.
func (p *parser) fixed(f map[string]*yaml.Node, path string, s *source, fd protoreflect.FieldDescriptor) {
	if c := f["constant"]; c != nil {
		a := answer{text: p.text(c, path+".constant")}
		if a.text == "" {
			p.fail(c, path+".constant", "is empty")
		}
		p.try(c, path+".constant", fd, a)
		s.constant = &a
	}
	if c := f["answer"]; c != nil {
		a := parseAnswer(p.text(c, path+".answer"))
		if a.text != "" || a.refuse {
			p.fail(c, path+".answer", "must be not-known, does-not-apply or not-asked")
		}
		p.try(c, path+".answer", fd, a)
		s.constant = &a
	}
}

// replies reads values, otherwise and when_empty.
func (p *parser) replies(f map[string]*yaml.Node, path string, s *source, fd protoreflect.FieldDescriptor) {
	if c := f["values"]; c != nil {
		s.values = map[string]answer{}
		for _, e := range p.entries(c, path+".values") {
			key := foldCell(e.key.Value)
			if _, twice := s.values[key]; twice {
				p.fail(e.key, path+".values", "%q is there twice (capitals and spaces make no difference)", e.key.Value)
			}
			a := parseAnswer(p.text(e.value, path+".values"))
			p.try(e.value, path+".values", fd, a)
			s.values[key] = a
		}
		if len(s.columns) == 0 {
			p.fail(c, path+".values", "needs a column to look at")
		}
	}
	if c := f["otherwise"]; c != nil {
		a := parseAnswer(p.text(c, path+".otherwise"))
		p.try(c, path+".otherwise", fd, a)
		s.otherwise = &a
		if s.values == nil && s.rules == nil {
			p.fail(c, path+".otherwise", "needs values or rules before it")
		}
	}
	if c := f["when_empty"]; c != nil {
		s.whenEmpty = parseAnswer(p.text(c, path+".when_empty"))
		p.try(c, path+".when_empty", fd, s.whenEmpty)
		if len(s.columns) == 0 {
			p.fail(c, path+".when_empty", "needs a column to look at")
		}
	}
}

// dates reads format and precision.
func (p *parser) dates(f map[string]*yaml.Node, path string, s *source, fd protoreflect.FieldDescriptor) {
	if c := f["format"]; c != nil {
		if !isDate(fd) && !isTime(fd) {
			p.fail(c, path+".format", "is for dates only")
		}
		l, err := newLayout(p.text(c, path+".format"))
		if err != nil {
			p.fail(c, path+".format", "%s", err)
		} else if isDate(fd) && l.precision == pb.TimePrecision_TIME_PRECISION_MONTH {
			p.fail(c, path+".format", "needs a day, DD, because %s is a day", fd.Name())
		}
		s.layout = l
	}
	if c := f["precision"]; c != nil {
		if fd.Name() != "occur_time" {
			p.fail(c, path+".precision", "is for occur_time only")
		}
		v, err := words.Parse[pb.TimePrecision](p.text(c, path+".precision"))
		if err != nil {
			p.fail(c, path+".precision", "%s", err)
		}
		s.precision = v
	}
}

// try checks that an answer can be put into its field, so that a mistake in
// the mapping is found before the first row.
func (p *parser) try(n *yaml.Node, path string, fd protoreflect.FieldDescriptor, a answer) {
	switch {
	case a.refuse:
	case a.text != "":
		if isDate(fd) || isTime(fd) {
			p.fail(n, path, "a date cannot be written into the mapping; name its column")
			return
		}
		if _, problem := value(fd, a.text, clock{}); problem != "" {
			p.fail(n, path, "%q %s", a.text, strings.TrimSuffix(problem, "; give it a line under values in the mapping"))
		}
	case !answerable(fd) && a.state != pb.AnswerState_ANSWER_STATE_NOT_ASKED:
		p.fail(n, path, "%s is a plain yes or no and cannot be %s", fd.Name(), words.Slug(a.state))
	}
}

// foldCell makes cells comparable: capitals and runs of space do not count.
func foldCell(s string) string {
	return strings.ToLower(strings.Join(strings.Fields(s), " "))
}
