package words

import (
	"fmt"
	"strings"
	"unicode"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// Enum is any generated enum.
type Enum interface {
	~int32
	protoreflect.Enum
}

// UnknownError says that a word names no value of an enum.
type UnknownError struct {
	// Given is the word.
	Given string
	// Choices are the words that would do, in the order of the contract.
	Choices []string
}

// Error lists the choices.
func (e *UnknownError) Error() string {
	if e.Given == "" {
		return "is empty; choose one of " + strings.Join(e.Choices, ", ")
	}
	return fmt.Sprintf("%q is not known; choose one of %s", e.Given, strings.Join(e.Choices, ", "))
}

// aliases are words in use that the names of the contract do not give, by
// enum and folded word. The value is the name in the contract.
var aliases = map[protoreflect.FullName]map[string]protoreflect.Name{
	"fairlead.v1.Convention": {
		"as1885": "CONVENTION_AS_1885_1",
	},
	"fairlead.v1.ReportKind": {
		"injury":  "REPORT_KIND_INJURY_OR_ILLNESS",
		"illness": "REPORT_KIND_INJURY_OR_ILLNESS",
	},
	"fairlead.v1.Facet": {
		"breakdown": "FACET_BREAKDOWN_AGENCY",
		"location":  "FACET_BODILY_LOCATION",
	},
	"fairlead.v1.Dimension": {
		"breakdown": "DIMENSION_BREAKDOWN_AGENCY",
		"location":  "DIMENSION_BODILY_LOCATION",
		"group":     "DIMENSION_EMPLOYMENT_GROUP",
	},
}

// Parse returns the value that a word names. Case, spaces, hyphens and
// underscores make no difference. The word of "not given" is refused.
func Parse[E Enum](word string) (E, error) {
	var zero E
	n, err := ParseNumber(zero.Descriptor(), word)
	return E(n), err
}

// ParseNumber is Parse for an enum known only by its descriptor.
func ParseNumber(d protoreflect.EnumDescriptor, word string) (protoreflect.EnumNumber, error) {
	want := fold(word)
	values := d.Values()
	if full, ok := aliases[d.FullName()][want]; ok {
		return values.ByName(full).Number(), nil
	}
	for i := range values.Len() {
		v := values.Get(i)
		if v.Number() != 0 && (fold(bare(v)) == want || fold(string(v.Name())) == want) {
			return v.Number(), nil
		}
	}
	return 0, &UnknownError{Given: word, Choices: choices(d)}
}

// Choices returns the words of all values of an enum, joined by commas, for
// the help of a flag.
func Choices[E Enum]() string {
	var zero E
	return strings.Join(choices(zero.Descriptor()), ", ")
}

// Slug returns the word of a value as it is typed: `near-miss`. The value for
// "not given" is the empty word.
func Slug[E Enum](e E) string {
	v := e.Descriptor().Values().ByNumber(e.Number())
	if v == nil || e == 0 {
		return ""
	}
	return bare(v)
}

// Of returns the words of a value as they are read: "near miss". A value that
// is not in the contract, from a newer server, is its number.
func Of[E Enum](e E) string {
	if e.Descriptor().Values().ByNumber(e.Number()) == nil {
		return fmt.Sprintf("number %d (newer than this program)", int32(e))
	}
	if e == 0 {
		return "not given"
	}
	return strings.ReplaceAll(Slug(e), "-", " ")
}

func choices(d protoreflect.EnumDescriptor) []string {
	var out []string
	for i := range d.Values().Len() {
		if v := d.Values().Get(i); v.Number() != 0 {
			out = append(out, bare(v))
		}
	}
	return out
}

// bare strips the prefix that every value of an enum carries: that of its
// zero value, which ends in UNSPECIFIED.
func bare(v protoreflect.EnumValueDescriptor) string {
	d := v.Parent().(protoreflect.EnumDescriptor)
	prefix := strings.TrimSuffix(string(d.Values().Get(0).Name()), "UNSPECIFIED")
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(string(v.Name()), prefix), "_", "-"))
}

// fold leaves letters and digits only, in lower case.
func fold(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			return unicode.ToLower(r)
		}
		return -1
	}, s)
}
