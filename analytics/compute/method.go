package compute

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"fairlead/analytics/spc"
)

// Group is a drawer of the table.
type Group string

// The groups, in the order in which they are shown.
const (
	OneRate   Group = "one rate"
	TwoRates  Group = "two rates"
	Charts    Group = "control charts"
	Rare      Group = "rare events"
	Lasting   Group = "small lasting changes"
	Alarms    Group = "how sure a chart is"
	Changes   Group = "what changed, and when"
	Places    Group = "comparing places"
	Causes    Group = "what goes together"
	Agreement Group = "agreement of coders"
	HowLong   Group = "how long things take"
	Ahead     Group = "the period ahead"
)

// Groups returns the groups in order.
func Groups() []Group {
	return []Group{OneRate, TwoRates, Charts, Rare, Lasting, Alarms, Changes, Places, Causes, Agreement, HowLong, Ahead}
}

// Type is what kind of JSON value an input is.
type Type string

// The types of inputs.
const (
	Number     Type = "number"
	Whole      Type = "whole number"
	Text       Type = "text"
	YesNo      Type = "true or false"
	Numbers    Type = "list of numbers"
	Wholes     Type = "list of whole numbers"
	Texts      Type = "list of texts"
	YesNos     Type = "list of true or false"
	NumberRows Type = "rows of numbers"
	WholeRows  Type = "rows of whole numbers"
	TextRows   Type = "rows of texts"
	NumbersBy  Type = "lists of numbers by name"
	TextsBy    Type = "lists of texts by name"
)

// List reports whether a value of the type is a plain list, which may come from
// a column.
func (t Type) List() bool { return t == Numbers || t == Wholes || t == Texts || t == YesNos }

// Rows reports whether a value of the type is a list of lists.
func (t Type) Rows() bool { return t == NumberRows || t == WholeRows || t == TextRows }

// ByName reports whether a value of the type is an object of lists.
func (t Type) ByName() bool { return t == NumbersBy || t == TextsBy }

// Scalar reports whether a value of the type is a single one.
func (t Type) Scalar() bool { return t == Number || t == Whole || t == Text || t == YesNo }

// Range bounds numbers. The zero value bounds nothing.
type Range struct {
	Lo, Hi       float64
	Above, Below bool // the end itself is out
	Zero         bool // 0 is in as well
	bounded      bool
}

// from and its relatives make ranges: both ends in, the lower end out, the
// upper end out.
func from(lo, hi float64) Range  { return Range{Lo: lo, Hi: hi, bounded: true} }
func above(lo, hi float64) Range { return Range{Lo: lo, Hi: hi, Above: true, bounded: true} }
func below(lo, hi float64) Range { return Range{Lo: lo, Hi: hi, Below: true, bounded: true} }

// holds reports whether x is in the range.
func (r Range) holds(x float64) bool {
	if !r.bounded {
		return true
	}
	if r.Zero && x == 0 {
		return true
	}
	return x >= r.Lo && x <= r.Hi && !(r.Above && x == r.Lo) && !(r.Below && x == r.Hi)
}

// String says the range in words, such as "at least 0 and below 1e9".
func (r Range) String() string {
	if !r.bounded {
		return ""
	}
	lo, hi := "at least ", "at most "
	if r.Above {
		lo = "above "
	}
	if r.Below {
		hi = "below "
	}
	if r.Zero {
		lo = "0, or " + lo
	}
	switch {
	case math.IsInf(r.Hi, 1):
		return lo + plain(r.Lo)
	case math.IsInf(r.Lo, -1):
		return hi + plain(r.Hi)
	}
	return lo + plain(r.Lo) + " and " + hi + plain(r.Hi)
}

// plain prints a number as it is, not rounded as in a sentence: 412,000, 0.00135,
// 1e9.
func plain(x float64) string {
	if x == math.Trunc(x) && math.Abs(x) < 1e7 {
		return spc.Number(x)
	}
	s := strconv.FormatFloat(x, 'g', -1, 64)
	return strings.NewReplacer("e+0", "e", "e+", "e", "e-0", "e-").Replace(s)
}

// Input is one thing a method takes.
type Input struct {
	Name     string
	Type     Type
	About    string // what it is, in words
	Unit     string // of a number; empty where it has none
	Range    Range  // of every number in it
	Choices  []string
	Required bool
	Default  any  // of a single value; nil when there is none
	Longest  int  // most entries; of rows and lists by name, most entries of all together
	Gaps     bool // entries of a list may be null: not known
}

// Domain says in words what an input may be.
func (i Input) Domain() string {
	var parts []string
	if len(i.Choices) > 0 {
		parts = append(parts, "one of "+i.choices())
	}
	if s := i.Range.String(); s != "" {
		parts = append(parts, s)
	}
	if i.Longest > 0 {
		parts = append(parts, fmt.Sprintf("at most %s entries", spc.Number(float64(i.Longest))))
	}
	if i.Gaps {
		parts = append(parts, "null where not known")
	}
	return strings.Join(parts, "; ")
}

// choices lists them; an empty one is seen as such.
func (i Input) choices() string {
	out := make([]string, len(i.Choices))
	for k, c := range i.Choices {
		if out[k] = c; c == "" {
			out[k] = `""`
		}
	}
	return strings.Join(out, ", ")
}

// Output is one thing a method gives.
type Output struct {
	Name  string
	About string
	Null  string // when it, or an entry of it, is null
}

// Method is one entry of the table.
type Method struct {
	Name    string
	Group   Group
	Purpose string // one line
	Inputs  []Input
	Outputs []Output
	How     string   // the method in words, with what it takes for granted
	Source  string   // where it was published
	Also    []string // other names under which people look for it
	Example string   // a JSON object of inputs

	alike [][]string        // inputs that must have as many entries as each other
	named map[string]string // an argument of analytics, by the input it comes from
	run   func(in *inputs) (*answer, error)
}

// Input returns the input of the given name.
func (m Method) Input(name string) (Input, bool) {
	i := slices.IndexFunc(m.Inputs, func(x Input) bool { return x.Name == name })
	if i < 0 {
		return Input{}, false
	}
	return m.Inputs[i], true
}

// Output returns the output of the given name.
func (m Method) Output(name string) (Output, bool) {
	i := slices.IndexFunc(m.Outputs, func(x Output) bool { return x.Name == name })
	if i < 0 {
		return Output{}, false
	}
	return m.Outputs[i], true
}

func (m Method) inputNames() []string {
	out := make([]string, len(m.Inputs))
	for i, x := range m.Inputs {
		out[i] = x.Name
	}
	return out
}
