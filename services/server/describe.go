package server

import (
	"fmt"
	"strings"

	"buf.build/go/protovalidate"
)

// describe says in plain words what to do about a violation. The rules of the
// contract are few; what is not listed falls back to the validator's own text,
// which never quotes a value.
func describe(v *protovalidate.Violation) string {
	rule := v.Proto.GetRuleId()
	want := ""
	if v.RuleValue.IsValid() {
		want = fmt.Sprint(v.RuleValue.Interface())
	}
	switch rule {
	case "required":
		return "is needed"
	case "string.min_len":
		if want == "1" {
			return "is needed"
		}
		return "write at least " + want + " characters"
	case "bytes.max_len":
		return "is too long: at most " + want + " bytes fit in one message; send more of them"
	case "string.max_len":
		return "is too long: at most " + want + " characters fit"
	case "string.uuid", "string.uuid_empty":
		return "must be a UUID, such as 0190d3a0-7c1e-7b3a-9f6e-2b1c4d5e6f70"
	case "string.pattern":
		return patternWords(want)
	case "enum.defined_only":
		return "is not one of the known values; see the contract"
	case "enum.not_in":
		return "choose one; it must not be left unspecified"
	case "repeated.max_items", "map.max_pairs":
		return "is too long: at most " + want + " entries fit"
	case "repeated.min_items":
		return "needs at least " + want
	}
	if m := v.Proto.GetMessage(); m != "" {
		return m
	}
	return "does not meet the rule " + rule
}

// patternWords explains the patterns that the contract uses.
func patternWords(pattern string) string {
	for _, p := range []struct{ part, words string }{
		{`^workplaces/`, "must be a workplace name: workplaces/ and 1 to 63 lower-case letters, digits or hyphens"},
		{`^people/`, "must be a person's name: people/ and 1 to 63 lower-case letters, digits or hyphens"},
		{`^reports/[0-9a-f-]{36}/teller`, "must be reports/, a UUID and /teller"},
		{`^reports/[0-9a-f-]{36}/attachments/`, "must be reports/, a UUID, /attachments/ and a UUID"},
		{`^reports/[0-9A-Za-z-]`, "must be reports/ and a UUID or a short code"},
		{`^reports/`, "must be reports/ and a lower-case UUID"},
		{`(0[1-9]|[12][0-9]|3[01])$`, "must be a date like 2026-03-31"},
		{`(0[1-9]|1[0-2])$`, "must be a month like 2026-03, from 1950 on"},
		{`^[0-9A-Z]{0,6}$`, "must be a code: up to six digits or capital letters"},
	} {
		if strings.Contains(pattern, p.part) {
			return p.words
		}
	}
	return "does not have the right form: " + pattern
}
