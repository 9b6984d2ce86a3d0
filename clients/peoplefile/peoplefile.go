package peoplefile

import (
	"crypto/sha256"
	"encoding/base32"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

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
}{{"name", true}, {"role", true}, {"workplaces", false}, {"sign_in_name", false}, {"on_tablets", false}, {"left", false}, {"id", false}}

// columnOf leads from a field of the contract to the column that holds it.
var columnOf = map[string]string{"display_name": "name", "sign_in_name": "sign_in_name", "grants": "role", "role": "role", "workplaces": "workplaces",
	"reports": "role", "offered_on_tablets": "on_tablets", "left": "left", "name": "id"}

// List is what a file holds.
type List struct {
	// Rows are the people, each with the line of the file.
	Rows []*pb.PrincipalRow
	// Problems are the cells that must be mended before anything is stored.
	Problems []Problem
	// Told are the fields of a principal that the file has a column for.
	Told []string
	// Where reports whether there is a column for workplaces.
	Where bool
}

// Problem is one cell that cannot be taken.
type Problem struct {
	// Line is the line of the file, counted from 1; 0 is the whole file.
	Line int
	// Column is the name of the column; empty when it is the whole row.
	Column string
	// Cure says what is wrong and what to write instead. It never says what
	// stood there, which may be anybody's name.
	Cure string
}

// String is the problem as people read it.
func (p Problem) String() string {
	switch {
	case p.Line == 0:
		return p.Cure
	case p.Column == "":
		return fmt.Sprintf("line %d: %s", p.Line, p.Cure)
	}
	return fmt.Sprintf("line %d, column %s: %s", p.Line, p.Column, p.Cure)
}

// rowField is a field of a row, as the service names it.
var rowField = regexp.MustCompile(`^rows\[(\d+)\]\.(.*)$`)

// At is a problem that the service found, at its line and column.
func (l *List) At(field, cure string) Problem {
	m := rowField.FindStringSubmatch(field)
	if m == nil {
		return Problem{Cure: cure}
	}
	i, err := strconv.Atoi(m[1])
	if err != nil || i >= len(l.Rows) {
		return Problem{Cure: cure}
	}
	name := m[2][strings.LastIndexByte(m[2], '.')+1:]
	name, _, _ = strings.Cut(name, "[")
	return Problem{Line: int(l.Rows[i].GetLine()), Column: columnOf[name], Cure: cure}
}

// Request is what to ask of the service.
func (l *List) Request(change, check bool) *pb.ImportPrincipalsRequest {
	return &pb.ImportPrincipalsRequest{Rows: l.Rows, Change: change, ValidateOnly: check, UpdateMask: &fieldmaskpb.FieldMask{Paths: l.Told}}
}

// Sort puts problems into the order of the file.
func Sort(list []Problem) {
	slices.SortStableFunc(list, func(a, b Problem) int { return a.Line - b.Line })
}

// Read reads a whole file; encoding is one that package sheet knows, or empty.
// err says that the file as a whole cannot be read.
func Read(r io.Reader, encoding string) (*List, error) {
	table, err := sheet.New(r, sheet.Options{Encoding: encoding})
	if err != nil {
		return nil, err
	}
	at, err := locate(table.Header())
	if err != nil {
		return nil, err
	}
	l := &List{Told: []string{"display_name", "grants"}}
	for column, field := range map[string]string{"sign_in_name": "sign_in_name", "on_tablets": "offered_on_tablets"} {
		if _, ok := at[column]; ok {
			l.Told = append(l.Told, field)
		}
	}
	slices.Sort(l.Told)
	_, l.Where = at["workplaces"]
	seen, names := map[string]int{}, map[string]int{}
	for {
		row, err := table.Next()
		var bad *sheet.RowError
		switch {
		case errors.Is(err, io.EOF):
			if len(l.Rows) == 0 && len(l.Problems) == 0 {
				return nil, errors.New("the file has a header and no rows; add one row for each person")
			}
			Sort(l.Problems)
			return l, nil
		case errors.As(err, &bad):
			l.Problems = append(l.Problems, Problem{Line: bad.Line, Cure: bad.Problem})
			continue
		case err != nil:
			return nil, err
		}
		one, found := readRow(row, at)
		p := one.GetPrincipal()
		signIn := strings.ToLower(p.GetSignInName())
		if first, again := seen[p.GetName()]; again && len(found) == 0 {
			found = append(found, Problem{Line: row.Line, Cure: fmt.Sprintf("the same person stands on line %d already; leave one row, or give each an id", first)})
		} else if first, again := names[signIn]; again && signIn != "" && len(found) == 0 {
			found = append(found, Problem{Line: row.Line, Column: "sign_in_name", Cure: fmt.Sprintf("is that of line %d already; each person needs one of their own", first)})
		}
		if len(found) > 0 {
			l.Problems = append(l.Problems, found...)
			continue
		}
		seen[p.GetName()], names[signIn] = row.Line, row.Line
		if l.Rows = append(l.Rows, one); len(l.Rows) > MaxRows {
			return nil, fmt.Errorf("the file has more than %d rows; split it", MaxRows)
		}
	}
}

// locate finds the columns in a header.
func locate(header []string) (map[string]int, error) {
	var all, missing, strange []string
	at := map[string]int{}
	for _, c := range columns {
		all = append(all, c.name)
	}
	list := strings.Join(all, ", ")
	for i, h := range header {
		name := strings.ToLower(strings.NewReplacer(" ", "_", "-", "_").Replace(strings.TrimSpace(h)))
		switch _, twice := at[name]; {
		case name == "":
		case !slices.Contains(all, name):
			strange = append(strange, h)
		case twice:
			return nil, fmt.Errorf("the column %s is there twice; leave one", name)
		default:
			at[name] = i
		}
	}
	switch {
	case len(at) == 0:
		// It may be somebody's row: nothing of it is said again.
		return nil, fmt.Errorf("the first line of the file must name the columns, and names none of them: %s", list)
	case len(strange) > 0:
		return nil, fmt.Errorf("the column %q is not known; take it out or rename it to one of %s", strange[0], list)
	}
	for _, c := range columns {
		if _, ok := at[c.name]; c.needed && !ok {
			missing = append(missing, c.name)
		}
	}
	if len(missing) > 0 {
		return nil, fmt.Errorf("the file has no column %s; the first line names the columns: %s", strings.Join(missing, ", "), list)
	}
	return at, nil
}

// roles are the words for roles that a file may give.
func roles() string {
	var out []string
	for _, w := range strings.Split(words.Choices[pb.Role](), ", ") {
		if w != words.Slug(pb.Role_ROLE_DEVICE) { // tablets are let in by a code
			out = append(out, w)
		}
	}
	return strings.Join(out, ", ")
}

func several(s string) []string {
	return strings.FieldsFunc(s, func(r rune) bool { return strings.ContainsRune(" ,;+", r) })
}

func readRow(row sheet.Row, at map[string]int) (*pb.PrincipalRow, []Problem) {
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
	yes := func(column string) bool {
		switch strings.ToLower(cell(column)) {
		case "", "no", "n", "false", "0":
			return false
		case "yes", "y", "true", "1":
			return true
		}
		fail(column, "is neither yes nor no; write one of the two, or leave it empty for no")
		return false
	}
	p := &pb.Principal{DisplayName: cell("name"), SignInName: cell("sign_in_name"), OfferedOnTablets: yes("on_tablets")}
	one := &pb.PrincipalRow{Principal: p, Line: int32(row.Line), Left: yes("left")}
	if p.DisplayName == "" {
		fail("name", "is empty; write what people call them")
	}
	var workplaces []string
	for _, w := range several(cell("workplaces")) {
		workplaces = append(workplaces, words.Workplace(w))
	}
	for _, word := range several(cell("role")) {
		role, err := words.Parse[pb.Role](word)
		if err != nil || role == 0 || role == pb.Role_ROLE_DEVICE {
			fail("role", "is not a role; write one of "+roles()+", several with + between them")
			continue
		}
		p.Grants = append(p.Grants, &pb.Grant{Role: role, Workplaces: workplaces})
	}
	if cell("role") == "" && !one.GetLeft() {
		fail("role", "is empty; write one of "+roles())
	}
	id := strings.TrimPrefix(cell("id"), "principals/")
	if id == "" {
		id = ID(p.GetDisplayName(), p.GetSignInName(), strings.Join(workplaces, " "))
	}
	p.Name = "principals/" + id
	return one, problems
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
