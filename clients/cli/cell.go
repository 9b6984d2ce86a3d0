package cli

import (
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// cellFlags are the flags that lead from a number in a table to its reports.
type cellFlags struct {
	cells  []string
	level  int32
	people bool
}

func (f *cellFlags) add(c *cobra.Command) {
	fl := c.Flags()
	fl.StringArrayVar(&f.cells, "cell", nil, "only what a table counts in this cell, such as mechanism=28 or mechanism=2,kind=near-miss (again for another)")
	fl.Int32Var(&f.level, "cell-level", 0, "level of the codes of --cell, as in the table")
	fl.BoolVar(&f.people, "cell-people", false, "the table of --cell counts people hurt")
}

// message reads the cells as they were typed.
func (f *cellFlags) message() (out []*pb.CellMatch, err error) {
	if len(f.cells) == 0 && (f.level != 0 || f.people) {
		return nil, usagef("--cell-level and --cell-people say of which table --cell is one; give --cell too")
	}
	for _, text := range f.cells {
		cell := &pb.CellMatch{CodeLevel: f.level, CountHarms: f.people}
		for part := range strings.SplitSeq(text, ",") {
			side, err := parseSide(part)
			if err != nil {
				return nil, usagef("--cell: %s", err)
			}
			cell.Sides = append(cell.Sides, side)
		}
		out = append(out, cell)
	}
	return out, nil
}

// parseSide reads `mechanism=28`: a dimension and the key of one of its heads,
// which for an enum may be its word.
func parseSide(text string) (*pb.CellSide, error) {
	name, key, ok := strings.Cut(text, "=")
	d, err := words.Parse[pb.Dimension](name)
	if !ok || err != nil {
		return nil, fmt.Errorf("%q: write what the table counts by and a row of it, such as mechanism=28; it counts by %s", text, words.Choices[pb.Dimension]())
	}
	key = strings.TrimSpace(key)
	if key != "" {
		switch d {
		case pb.Dimension_DIMENSION_KIND:
			key, err = enumKey[pb.ReportKind](key)
		case pb.Dimension_DIMENSION_OUTCOME:
			key, err = enumKey[pb.OutcomeClass](key)
		case pb.Dimension_DIMENSION_POTENTIAL:
			key, err = enumKey[pb.PotentialSeverity](key)
		case pb.Dimension_DIMENSION_EMPLOYMENT_GROUP:
			key, err = enumKey[pb.EmploymentGroup](key)
		case pb.Dimension_DIMENSION_WORKPLACE:
			key = "workplaces/" + strings.TrimPrefix(key, "workplaces/")
		case pb.Dimension_DIMENSION_DATASET, pb.Dimension_DIMENSION_MONTH, pb.Dimension_DIMENSION_YEAR:
		default:
			key = strings.ToUpper(key)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("%q: %w", text, err)
	}
	return &pb.CellSide{Dimension: d, Key: key}, nil
}

// enumKey turns the word of a value into the name that heads carry.
func enumKey[E words.Enum](word string) (string, error) {
	v, err := words.Parse[E](word)
	if err != nil {
		return "", err
	}
	return string(v.Descriptor().Values().ByNumber(v.Number()).Name()), nil
}

// filterWords writes a filter as the flags that ask for it.
func filterWords(f *pb.ReportFilter) string {
	var out []string
	add := func(flag, value string) { out = append(out, "--"+flag+" "+value) }
	for i, cell := range f.GetCells() {
		var sides []string
		for _, s := range cell.GetSides() {
			sides = append(sides, words.Slug(s.GetDimension())+"="+keyWords(s.GetKey()))
		}
		add("cell", strings.Join(sides, ","))
		// One table has one level, and the flags know one table.
		if i == len(f.GetCells())-1 && cell.GetCodeLevel() > 0 {
			add("cell-level", fmt.Sprint(cell.GetCodeLevel()))
		}
		if i == len(f.GetCells())-1 && cell.GetCountHarms() {
			out = append(out, "--cell-people")
		}
	}
	for _, w := range f.GetWorkplaces() {
		add("workplace", words.Short(w))
	}
	if f.GetStartDate() != "" {
		add("since", f.GetStartDate())
	}
	if end, err := time.Parse(time.DateOnly, f.GetEndDate()); err == nil {
		add("until", end.AddDate(0, 0, -1).Format(time.DateOnly))
	}
	for _, k := range f.GetKinds() {
		add("kind", words.Slug(k))
	}
	for _, o := range f.GetOutcomes() {
		add("outcome", words.Slug(o))
	}
	for _, v := range f.GetPotentials() {
		add("worst", words.Slug(v))
	}
	for _, c := range f.GetCodes() {
		add("code", words.Slug(c.GetFacet())+"="+c.GetCode())
	}
	for _, g := range f.GetEmploymentGroups() {
		add("group", words.Slug(g))
	}
	for _, d := range f.GetDatasets() {
		add("dataset", d)
	}
	return strings.Join(out, " ")
}

// keyWords writes the key of a head as it is typed.
func keyWords(key string) string {
	// The name of a value is the word of its enum and its own.
	for _, prefix := range []string{"REPORT_KIND_", "OUTCOME_CLASS_", "POTENTIAL_SEVERITY_", "EMPLOYMENT_GROUP_"} {
		if rest, ok := strings.CutPrefix(key, prefix); ok {
			return strings.ToLower(strings.ReplaceAll(rest, "_", "-"))
		}
	}
	return strings.TrimPrefix(key, "workplaces/")
}
