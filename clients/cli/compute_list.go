package cli

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"

	"fairlead/analytics/compute"
	"fairlead/clients/cli/page"
)

// listed is a method in the JSON of `fairlead compute list`.
type listed struct {
	Method  string          `json:"method"`
	Group   compute.Group   `json:"group"`
	Purpose string          `json:"purpose"`
	Inputs  []listedInput   `json:"inputs"`
	Outputs []listedOutput  `json:"outputs"`
	How     string          `json:"how"`
	Source  string          `json:"source"`
	Also    []string        `json:"also"`
	Example json.RawMessage `json:"example"`
}

type listedInput struct {
	Name     string       `json:"name"`
	Type     compute.Type `json:"type"`
	About    string       `json:"about"`
	Unit     string       `json:"unit,omitempty"`
	Domain   string       `json:"domain,omitempty"`
	Required bool         `json:"required"`
	Default  any          `json:"default,omitempty"`
}

type listedOutput struct {
	Name  string `json:"name"`
	About string `json:"about"`
	Null  string `json:"null_when,omitempty"`
}

func listedMethod(m compute.Method) listed {
	l := listed{Method: m.Name, Group: m.Group, Purpose: m.Purpose, How: m.How, Source: m.Source, Also: append([]string{}, m.Also...), Example: json.RawMessage(m.Example)}
	for _, i := range m.Inputs {
		l.Inputs = append(l.Inputs, listedInput{i.Name, i.Type, i.About, i.Unit, i.Domain(), i.Required, i.Default})
	}
	for _, o := range m.Outputs {
		l.Outputs = append(l.Outputs, listedOutput{o.Name, o.About, o.Null})
	}
	return l
}

// listMethods prints the methods by group.
func (s *session) listMethods() error {
	if s.json {
		var all []listed
		for _, m := range compute.Methods() {
			all = append(all, listedMethod(m))
		}
		return s.printPlainJSON(all)
	}
	var group compute.Group
	var rows [][]string
	flush := func() {
		if rows != nil {
			s.page.Heading(upperFirst(string(group)))
			s.page.Table([]page.Column{{}, {}}, rows)
		}
		rows = nil
	}
	s.page.Para("Methods of `fairlead compute`. `fairlead compute list METHOD` says what one wants and gives.", 0)
	for _, m := range compute.Methods() {
		if m.Group != group {
			flush()
			group = m.Group
		}
		rows = append(rows, []string{"  " + m.Name, m.Purpose})
	}
	flush()
	return nil
}

// describeMethod says all about one method.
func (s *session) describeMethod(name string) error {
	m, err := compute.Find(name)
	if err != nil {
		return noMethod(err)
	}
	if s.json {
		return s.printPlainJSON(listedMethod(m))
	}
	p := s.page
	p.Strong(m.Name + ": " + m.Purpose + ".")
	p.Heading("Wants")
	for _, i := range m.Inputs {
		need := "may be left out"
		switch {
		case i.Required:
			need = "required"
		case i.Default != nil:
			need = fmt.Sprintf("without it %s", inline(jsonNumber(i.Default)))
		}
		p.Linef("  %s: %s, %s", i.Name, string(i.Type), need)
		text := upperFirst(i.About) + "."
		if i.Unit != "" {
			text += " Unit: " + i.Unit + "."
		}
		if d := i.Domain(); d != "" {
			text += " " + upperFirst(d) + "."
		}
		p.Para(text, 6)
	}
	p.Heading("Gives")
	for _, o := range m.Outputs {
		text := "  " + o.Name + ": " + o.About
		if o.Null != "" {
			text += " (none: " + strings.TrimPrefix(o.Null, "null ") + ")"
		}
		p.Para(text, 2)
	}
	p.Blank()
	p.Para("How: "+m.How, 0)
	p.Para("Source: "+sentence(m.Source), 0)
	p.Heading("Example")
	p.Para("fairlead compute "+m.Name+" --example", 2)
	p.Para("runs it with these inputs:", 0)
	var b bytes.Buffer
	if err := json.Compact(&b, []byte(m.Example)); err != nil {
		return fmt.Errorf("cli: example of %s: %w", m.Name, err)
	}
	p.Linef("  fairlead compute %s <<'JSON'", m.Name)
	p.Linef("  %s", b.String())
	p.Linef("  JSON")
	return nil
}

// jsonNumber turns a whole number into one of JSON.
func jsonNumber(v any) any {
	if n, ok := v.(int); ok {
		return float64(n)
	}
	return v
}

// printPlainJSON prints what is no message of the contract.
func (s *session) printPlainJSON(v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("cli: encode: %w", err)
	}
	return s.writeJSON(b)
}
