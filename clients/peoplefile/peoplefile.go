package peoplefile

import (
	"crypto/sha256"
	"encoding/base32"
	"errors"
	"fmt"
	"io"
	"strings"

	"fairlead/clients/sheet"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// MaxRows is the most people that one file may hold.
const MaxRows = 5000

// columns are the columns and whether each must be there.
var columns = []struct {
	name   string
	needed bool
}{{"name", true}, {"role", true}, {"workplaces", false}, {"sign_in_name", false}, {"on_tablets", false}, {"id", false}}

// Row is one person, and the line of the file.
type Row struct {
	Line      int
	Principal *pb.Principal
}

// Problem is one cell that cannot be taken.
type Problem struct {
	// Line is the line of the file, counted from 1.
	Line int
	// Column is the name of the column; empty when it is the whole row.
	Column string
	// Cure says what is wrong and what to write instead. It never says what
	// stood there, which may be anybody's name.
	Cure string
}

// Read reads a whole file. err says that the file as a whole cannot be read;
// problems say which cells must be mended.
func Read(r io.Reader) (rows []Row, problems []Problem, err error) {
	table, err := sheet.New(r, sheet.Options{})
	if err != nil {
		return nil, nil, fmt.Errorf("people file: %w", err)
	}
	at, err := locate(table.Header())
	if err != nil {
		return nil, nil, err
	}
	seen := map[string]int{}
	for {
		row, err := table.Next()
		var bad *sheet.RowError
		switch {
		case errors.Is(err, io.EOF):
			if len(rows) == 0 && len(problems) == 0 {
				return nil, nil, errors.New("people file: has a header and no rows; add one row for each person")
			}
			return rows, problems, nil
		case errors.As(err, &bad):
			problems = append(problems, Problem{Line: bad.Line, Cure: bad.Problem})
			continue
		case err != nil:
			return nil, nil, fmt.Errorf("people file: %w", err)
		}
		p, found := readRow(row, at)
		if first, again := seen[p.GetName()]; again && len(found) == 0 {
			found = append(found, Problem{Line: row.Line, Cure: fmt.Sprintf("the same person stands on line %d already; leave one row, or give each an id", first)})
		}
		if len(found) > 0 {
			problems = append(problems, found...)
			continue
		}
		seen[p.GetName()] = row.Line
		if rows = append(rows, Row{row.Line, p}); len(rows) > MaxRows {
			return nil, nil, fmt.Errorf("people file: has more than %d rows; split it", MaxRows)
		}
	}
}

// locate finds the columns in a header.
func locate(header []string) (map[string]int, error) {
	var all, missing []string
	at := map[string]int{}
	for _, c := range columns {
		all = append(all, c.name)
	}
	list := strings.Join(all, ", ")
	for i, h := range header {
		name := strings.ToLower(strings.NewReplacer(" ", "_", "-", "_").Replace(strings.TrimSpace(h)))
		known := false
		for _, c := range columns {
			known = known || c.name == name
		}
		switch _, twice := at[name]; {
		case name == "":
		case !known:
			return nil, fmt.Errorf("people file: the column %q is not known; take it out or rename it to one of %s", h, list)
		case twice:
			return nil, fmt.Errorf("people file: the column %s is there twice; leave one", name)
		default:
			at[name] = i
		}
	}
	for _, c := range columns {
		if _, ok := at[c.name]; c.needed && !ok {
			missing = append(missing, c.name)
		}
	}
	if len(missing) > 0 {
		return nil, fmt.Errorf("people file: has no column %s; the first line names the columns: %s", strings.Join(missing, ", "), list)
	}
	return at, nil
}

func readRow(row sheet.Row, at map[string]int) (*pb.Principal, []Problem) {
	var problems []Problem
	cell := func(column string) string {
		if i, ok := at[column]; ok {
			return strings.TrimSpace(row.Cells[i])
		}
		return ""
	}
	fail := func(column, cure string) {
		problems = append(problems, Problem{Line: row.Line, Column: column, Cure: cure})
	}
	p := &pb.Principal{DisplayName: cell("name"), SignInName: cell("sign_in_name")}
	if p.DisplayName == "" {
		fail("name", "is empty; write what people call them")
	}
	var workplaces []string
	for _, w := range strings.FieldsFunc(cell("workplaces"), func(r rune) bool { return strings.ContainsRune(" ,;+", r) }) {
		workplaces = append(workplaces, words.Workplace(w))
	}
	for _, word := range strings.FieldsFunc(cell("role"), func(r rune) bool { return strings.ContainsRune(" ,;+", r) }) {
		role, err := words.Parse[pb.Role](word)
		if err != nil || role == 0 {
			fail("role", "is not a role; write one of "+words.Choices[pb.Role]()+", several with + between them")
			continue
		}
		p.Grants = append(p.Grants, &pb.Grant{Role: role, Workplaces: workplaces})
	}
	if cell("role") == "" {
		fail("role", "is empty; write one of "+words.Choices[pb.Role]())
	}
	switch strings.ToLower(cell("on_tablets")) {
	case "", "no", "n", "false", "0":
	case "yes", "y", "true", "1":
		p.OfferedOnTablets = true
	default:
		fail("on_tablets", "is neither yes nor no")
	}
	id := strings.TrimPrefix(cell("id"), "principals/")
	if id == "" {
		id = ID(p.GetDisplayName(), p.GetSignInName(), strings.Join(workplaces, " "))
	}
	p.Name = "principals/" + id
	return p, problems
}

// ID makes the id of a principal from what the house knows of them: the same
// each time, and nobody's name. The sign-in name alone decides where there is
// one, since it is theirs only.
func ID(display, signIn, workplaces string) string {
	what := "sign-in " + strings.ToLower(signIn)
	if signIn == "" {
		what = "name " + strings.ToLower(display) + "\n" + workplaces
	}
	sum := sha256.Sum256([]byte("fairlead principal " + what))
	return "p-" + strings.ToLower(base32.StdEncoding.EncodeToString(sum[:]))[:12]
}
