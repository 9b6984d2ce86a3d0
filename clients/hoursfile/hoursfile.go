package hoursfile

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"fairlead/clients/sheet"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// MaxRows is the most rows that one file may hold, because hours are stored
// all or none.
const MaxRows = 20000

// Names of the columns.
const (
	ColumnWorkplace = "workplace"
	ColumnMonth     = "month"
	ColumnGroup     = "employment_group"
	ColumnHours     = "hours_worked"
	ColumnHeads     = "head_count"
	ColumnSource    = "source"
	ColumnStatus    = "status"
)

// columns lists every column and whether it must be there, with other names
// that mean the same.
var columns = []struct {
	name   string
	needed bool
	also   []string
}{
	{ColumnWorkplace, true, []string{"site"}},
	{ColumnMonth, true, nil},
	{ColumnGroup, true, []string{"group"}},
	{ColumnHours, true, []string{"hours"}},
	{ColumnHeads, false, []string{"heads", "headcount"}},
	{ColumnSource, false, nil},
	{ColumnStatus, false, nil},
}

// Problem is one cell that cannot be taken.
type Problem struct {
	// Line is the line of the file, counted from 1.
	Line int
	// Column is the name of the column; empty when it is the whole row.
	Column string
	// Value is what stood there, shortened.
	Value string
	// Cure says what is wrong and what to write instead.
	Cure string
}

// Read reads a whole file. err says that the file as a whole cannot be read;
// problems say which cells must be mended, and the rows without a problem are
// returned all the same, so that a service can check them too.
func Read(r io.Reader) (rows []*pb.HoursRow, problems []Problem, err error) {
	table, err := sheet.New(r, sheet.Options{})
	if err != nil {
		return nil, nil, fmt.Errorf("hours file: %w", err)
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
				return nil, nil, errors.New("hours file: has a header and no rows; add one row for each workplace, month and group")
			}
			return rows, problems, nil
		case errors.As(err, &bad):
			problems = append(problems, Problem{Line: bad.Line, Cure: bad.Problem})
			continue
		case err != nil:
			return nil, nil, fmt.Errorf("hours file: %w", err)
		}
		h, found := readRow(row, at)
		if len(found) > 0 {
			problems = append(problems, found...)
			continue
		}
		key := h.GetWorkplace() + " " + h.GetMonth() + " " + words.Slug(h.GetEmploymentGroup())
		if first, again := seen[key]; again {
			problems = append(problems, Problem{Line: row.Line, Value: key, Cure: fmt.Sprintf(
				"the same workplace, month and group stand on line %d already; leave one row", first)})
			continue
		}
		seen[key] = row.Line
		rows = append(rows, &pb.HoursRow{Line: int64(row.Line), Hours: h})
		if len(rows) > MaxRows {
			return nil, nil, fmt.Errorf("hours file: has more than %d rows; split it by year, because a file is stored whole or not at all", MaxRows)
		}
	}
}

// locate finds the columns in a header.
func locate(header []string) (map[string]int, error) {
	at := map[string]int{}
	var unknown []string
	for i, h := range header {
		name := canonical(h)
		switch _, twice := at[name]; {
		case name == "" && h != "":
			unknown = append(unknown, h)
		case name == "":
		case twice:
			return nil, fmt.Errorf("hours file: the column %s is there twice; leave one", name)
		default:
			at[name] = i
		}
	}
	var missing []string
	for _, c := range columns {
		if _, ok := at[c.name]; c.needed && !ok {
			missing = append(missing, c.name)
		}
	}
	switch {
	case len(missing) > 0:
		return nil, fmt.Errorf("hours file: has no column %s; the first line must name workplace, month, employment_group and hours_worked, and may name head_count, source and status",
			strings.Join(missing, ", "))
	case len(unknown) > 0:
		// A column that is not read could be one that was misspelt.
		return nil, fmt.Errorf("hours file: the column %q is not known; take it out or rename it to one of workplace, month, employment_group, hours_worked, head_count, source, status",
			unknown[0])
	}
	return at, nil
}

func canonical(h string) string {
	h = strings.ToLower(strings.NewReplacer(" ", "_", "-", "_").Replace(strings.TrimSpace(h)))
	for _, c := range columns {
		if h == c.name {
			return c.name
		}
		for _, a := range c.also {
			if h == a {
				return c.name
			}
		}
	}
	return ""
}

func readRow(row sheet.Row, at map[string]int) (*pb.Hours, []Problem) {
	var problems []Problem
	cell := func(column string) string {
		if i, ok := at[column]; ok {
			return row.Cells[i]
		}
		return ""
	}
	fail := func(column, cure string) {
		problems = append(problems, Problem{Line: row.Line, Column: column, Value: short(cell(column)), Cure: cure})
	}
	h := &pb.Hours{Workplace: words.Workplace(cell(ColumnWorkplace)), Source: cell(ColumnSource)}
	if h.Workplace == "" {
		fail(ColumnWorkplace, "is empty; write the id of the workplace, such as northside")
	}
	var cure string
	if h.Month, cure = month(cell(ColumnMonth)); cure != "" {
		fail(ColumnMonth, cure)
	}
	group, err := words.Parse[pb.EmploymentGroup](cell(ColumnGroup))
	switch {
	case err != nil:
		fail(ColumnGroup, "is not known; write employee, labour-hire, contractor or volunteer")
	case group == pb.EmploymentGroup_EMPLOYMENT_GROUP_PUBLIC:
		fail(ColumnGroup, "visitors and the public work no hours; take the row out")
	}
	h.EmploymentGroup = group
	if cell(ColumnHours) == "" {
		fail(ColumnHours, "is empty; when hours are not known leave the whole row out, because missing is not zero")
	} else if h.HoursWorked, cure = number(cell(ColumnHours)); cure != "" {
		fail(ColumnHours, cure)
	}
	if heads := cell(ColumnHeads); heads != "" {
		n, cure := number(heads)
		if cure != "" {
			fail(ColumnHeads, cure)
		}
		h.HeadCount = &n
	}
	if s := cell(ColumnStatus); s != "" {
		if h.Status, err = words.Parse[pb.HoursStatus](s); err != nil {
			fail(ColumnStatus, "is not known; write final or provisional")
		}
	}
	return h, problems
}

// short keeps a message on one line; it never cuts inside a character.
func short(s string) string {
	r := []rune(s)
	if len(r) <= 40 {
		return s
	}
	return string(r[:39]) + "…"
}
