package dist

import (
	"errors"
	"fmt"
	"math"
	"strconv"
)

// ErrDomain is the kind of every error that says an argument lies outside the
// domain of a function. Test for it with errors.Is.
var ErrDomain = errors.New("argument outside its domain")

// DomainError names the argument that lies outside the domain of a function,
// its value, and what would be accepted. It wraps [ErrDomain].
type DomainError struct {
	Op    string // what was asked for, as "dist: poisson"
	Arg   string // name of the argument, as its caller knows it
	Value string // value as given
	Need  string // what is accepted, as "must be in (0, 1)"
}

// Error returns one line naming operation, argument, value and cure.
func (e *DomainError) Error() string {
	return fmt.Sprintf("%s: %s = %s: %s", e.Op, e.Arg, e.Value, e.Need)
}

// Unwrap returns [ErrDomain].
func (e *DomainError) Unwrap() error { return ErrDomain }

// BadFloat returns a [DomainError] for a floating-point argument.
func BadFloat(op, arg string, value float64, need string) error {
	return &DomainError{Op: op, Arg: arg, Value: strconv.FormatFloat(value, 'g', -1, 64), Need: need}
}

// BadInt returns a [DomainError] for an integer argument.
func BadInt(op, arg string, value int, need string) error {
	return &DomainError{Op: op, Arg: arg, Value: strconv.Itoa(value), Need: need}
}

// CheckLevel returns a [DomainError] unless level, the coverage of an interval,
// lies in [0.5, 1 - 1e-12]. Lower coverage is no interval anybody should be
// shown; higher coverage leaves no digits in one minus the level.
func CheckLevel(op string, level float64) error {
	if !(level >= 0.5 && level <= 1-1e-12) {
		return BadFloat(op, "level", level, "must be at least 0.5 and below 1, such as 0.95")
	}
	return nil
}

// CheckTail returns a [DomainError] unless tail, a one-sided probability, lies
// in [1e-300, 0.5].
func CheckTail(op, arg string, tail float64) error {
	if !(tail >= 1e-300 && tail <= 0.5) {
		return BadFloat(op, arg, tail, "must be above 0 and at most 0.5, such as 0.00135")
	}
	return nil
}

// finite reports whether x is neither NaN nor an infinity.
func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
