package ledger

import "fmt"

// Limits of what a ledger stores. They are the same for every backend.
const (
	// MaxName bounds names, prefixes and actors, in bytes.
	MaxName = 512
	// MaxWord bounds kinds, verbs, claim spaces and request ids, in bytes.
	MaxWord = 128
	// MaxKey bounds claim keys, in bytes.
	MaxKey = 1024
	// MaxBody bounds a body or an answer, in bytes.
	MaxBody = 16 << 20
	// MaxList bounds the limit of List and Changes; larger limits are cut
	// down to it, so a caller pages by what it gets, not by what it asked.
	MaxList = 10_000
)

// CheckPut returns an ErrInvalid naming the field that cannot be stored. Names,
// kinds and verbs are printable ASCII without spaces, so that order and prefix
// mean the same on every engine.
func CheckPut(p Put) error {
	switch {
	case CheckName(p.Name) != nil:
		return CheckName(p.Name)
	case !printable(p.Kind, MaxWord):
		return invalid("put %s: kind must be 1 to %d printable ASCII characters without spaces", p.Name, MaxWord)
	case !printable(p.Verb, MaxWord):
		return invalid("put %s: verb must be 1 to %d printable ASCII characters without spaces", p.Name, MaxWord)
	case len(p.Body) > MaxBody:
		return invalid("put %s: body has %d bytes, at most %d fit", p.Name, len(p.Body), MaxBody)
	case p.IfRevision < Any:
		return invalid("put %s: IfRevision must be -1, 0 or a revision, not %d", p.Name, p.IfRevision)
	}
	return nil
}

// CheckName returns an ErrInvalid if a resource cannot have this name. It does
// not repeat the name, which may be anything.
func CheckName(name string) error {
	if !printable(name, MaxName) {
		return invalid("name must be 1 to %d printable ASCII characters without spaces", MaxName)
	}
	return nil
}

// CheckRequest returns an ErrInvalid naming the field that cannot be stored.
func CheckRequest(r Request) error {
	switch {
	case !printable(r.Actor, MaxName):
		return invalid("request: actor must be 1 to %d printable ASCII characters without spaces", MaxName)
	case r.ID != "" && !printable(r.ID, MaxWord):
		return invalid("request: id must be at most %d printable ASCII characters without spaces", MaxWord)
	}
	return nil
}

// CheckClaim returns an ErrInvalid naming the field that cannot be stored. A
// key may be any bytes.
func CheckClaim(space, key string) error {
	switch {
	case !printable(space, MaxWord):
		return invalid("claim: space must be 1 to %d printable ASCII characters without spaces", MaxWord)
	case key == "" || len(key) > MaxKey:
		return invalid("claim in %s: key must be 1 to %d bytes, not %d", space, MaxKey, len(key))
	}
	return nil
}

// CheckList returns the limit to use, or an ErrInvalid.
func CheckList(prefix, after string, limit int) (int, error) {
	switch {
	case limit <= 0:
		return 0, invalid("list: limit must be positive, not %d", limit)
	case prefix != "" && !printable(prefix, MaxName):
		return 0, invalid("list: prefix must be at most %d printable ASCII characters without spaces", MaxName)
	case after != "" && !printable(after, MaxName):
		return 0, invalid("list: after must be at most %d printable ASCII characters without spaces", MaxName)
	}
	return min(limit, MaxList), nil
}

func printable(s string, most int) bool {
	if s == "" || len(s) > most {
		return false
	}
	for i := range len(s) {
		if s[i] <= ' ' || s[i] > '~' {
			return false
		}
	}
	return true
}

func invalid(format string, args ...any) error {
	return fmt.Errorf("ledger: "+format+": %w", append(args, ErrInvalid)...)
}
