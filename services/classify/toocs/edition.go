package toocs

import (
	"fmt"
	"regexp"
)

// An Edition says which version of the scheme a table is, when it was
// published, and where its rows come from. It is stored beside every code
// given, because the same digits may mean something else in another edition.
type Edition struct {
	Scheme  string // "TOOCS"
	Edition string // "3.1"
	Date    string // of publication: 2008, 2008-05 or 2008-05-01
	Source  string // where the rows were taken from
	Credit  string // whose work the scheme is
	Advice  string // what to do before relying on the table
	Licence string // what is known about the right to copy it
}

// String returns the scheme, edition and date, as in "TOOCS 3.1 (2008-05)".
func (e Edition) String() string {
	return fmt.Sprintf("%s %s (%s)", e.Scheme, e.Edition, e.Date)
}

var editionDate = regexp.MustCompile(`^\d{4}(-(0[1-9]|1[0-2])(-(0[1-9]|[12]\d|3[01]))?)?$`)

// readEdition reads edition.csv: two columns, key and value.
func (r *reader) readEdition() Edition {
	var e Edition
	fields := map[string]*string{
		"scheme": &e.Scheme, "edition": &e.Edition, "date": &e.Date, "source": &e.Source,
		"credit": &e.Credit, "advice": &e.Advice, "licence": &e.Licence,
	}
	const file = "edition.csv"
	seen := map[string]int{}
	for _, row := range r.rows(file, true, "key", "value") {
		key := row.get("key")
		field, ok := fields[key]
		switch {
		case !ok:
			r.problem(file, row.line, "unknown key %q; use scheme, edition, date, source, credit, advice or licence", key)
		case seen[key] > 0:
			r.problem(file, row.line, "key %s is given twice; the first is on line %d", key, seen[key])
		default:
			*field, seen[key] = row.get("value"), row.line
		}
	}
	for _, key := range []string{"scheme", "edition", "date", "source"} {
		if *fields[key] == "" {
			r.problem(file, 1, "%s is missing; add the row %q", key, key+",...")
		}
	}
	if e.Date != "" && !editionDate.MatchString(e.Date) {
		r.problem(file, seen["date"], "date %q is not a date; write 2008, 2008-05 or 2008-05-01", e.Date)
	}
	return e
}
