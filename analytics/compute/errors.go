package compute

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"fairlead/analytics/dist"
)

// Problem is one thing wrong with the inputs.
type Problem struct {
	Input   string // name, with a position such as counts[4]; empty for all of them
	Message string // what is wrong, and the cure
}

// String is the problem on one line.
func (p Problem) String() string {
	if p.Input == "" {
		return p.Message
	}
	return p.Input + " " + p.Message
}

// InputError says everything that is wrong with the inputs of a method.
type InputError struct {
	Method   string
	Problems []Problem
}

// Error lists the problems on one line.
func (e *InputError) Error() string {
	parts := make([]string, len(e.Problems))
	for i, p := range e.Problems {
		parts[i] = p.String()
	}
	return fmt.Sprintf("compute: %s: %s", e.Method, strings.Join(parts, "; "))
}

// UnknownMethodError says that there is no such method.
type UnknownMethodError struct {
	Name    string
	Nearest string
}

// Error names the nearest method.
func (e *UnknownMethodError) Error() string {
	return fmt.Sprintf("compute: %s is no method; did you mean %s?", clip(e.Name), e.Nearest)
}

// bad returns an error about one input, from within a method.
func bad(input, message string, args ...any) error {
	return &InputError{Problems: []Problem{{Input: input, Message: fmt.Sprintf(message, args...)}}}
}

// argument is how analytics names an argument: "periods[3] count", "past count".
var argument = regexp.MustCompile(`^([^\[\]]*)((?:\[\d+\])*) ?(.*)$`)

// inputError turns an error of a method into one about its inputs. An error that
// speaks of no argument is returned as it is: it is a fault of ours.
func (m Method) inputError(err error) error {
	var own *InputError
	if errors.As(err, &own) {
		own.Method = m.Name
		return own
	}
	var d *dist.DomainError
	switch {
	case errors.As(err, &d):
	case errors.Is(err, dist.ErrDomain):
		// It speaks of what comes out of all inputs together.
		text := strings.TrimSuffix(err.Error(), ": "+dist.ErrDomain.Error())
		if i := strings.Index(text, ": "); i >= 0 && i+2 < len(text) {
			text = text[strings.LastIndex(text, ": ")+2:]
		}
		return &InputError{Method: m.Name, Problems: []Problem{{Message: text + ": change the inputs"}}}
	default:
		return fmt.Errorf("compute: %s: %w", m.Name, err)
	}
	name, rest := m.inputOf(d.Arg)
	p := Problem{Input: name, Message: "is " + clip(d.Value) + ": " + d.Need}
	if name == "" {
		p.Message = fmt.Sprintf("%s is %s: %s", rest, clip(d.Value), d.Need)
	}
	return &InputError{Method: m.Name, Problems: []Problem{p}}
}

// inputOf finds the input behind an argument of analytics. Positions there
// count from 0, here from 1.
func (m Method) inputOf(arg string) (name, rest string) {
	g := argument.FindStringSubmatch(arg)
	if g == nil {
		return "", arg
	}
	position := regexp.MustCompile(`\d+`).ReplaceAllStringFunc(g[2], func(s string) string {
		n, err := strconv.Atoi(s)
		if err != nil {
			return s
		}
		return strconv.Itoa(n + 1)
	})
	for _, key := range []string{strings.TrimSpace(g[1] + " " + g[3]), g[3], g[1]} {
		if key == "" {
			continue
		}
		if n, ok := m.named[key]; ok {
			return n + position, arg
		}
		key = strings.ReplaceAll(key, " ", "_")
		for _, guess := range []string{key, key + "s"} {
			if _, ok := m.Input(guess); ok {
				return guess + position, arg
			}
		}
	}
	return "", arg
}

// clip shortens what a caller sent before it is said back.
func clip(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}
