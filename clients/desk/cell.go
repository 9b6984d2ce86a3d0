package desk

import (
	"net/url"
	"strconv"
	"strings"
	"time"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// cellPick is a cell of a table as a link carries it: `in=mechanism=28` for each
// of its sides, the level of its codes, and whether persons are counted.
type cellPick struct {
	In     []string
	Level  string
	People bool
}

func pickCell(q url.Values) cellPick {
	return cellPick{In: q["in"], Level: q.Get("level"), People: q.Get("people") != ""}
}

// cells turns what a link carries into the contract's. What cannot be read
// becomes a condition that the service refuses, never none at all.
func (c cellPick) cells() []*pb.CellMatch {
	if len(c.In) == 0 {
		return nil
	}
	level, err := strconv.ParseInt(c.Level, 10, 32)
	if err != nil && c.Level != "" {
		level = -1
	}
	cell := &pb.CellMatch{CodeLevel: int32(level), CountHarms: c.People}
	for _, side := range c.In {
		name, key, _ := strings.Cut(side, "=")
		d, _ := words.Parse[pb.Dimension](name)
		cell.Sides = append(cell.Sides, &pb.CellSide{Dimension: d, Key: key})
	}
	return []*pb.CellMatch{cell}
}

// set writes the cell into a link.
func (c cellPick) set(q url.Values) {
	for _, side := range c.In {
		q.Add("in", side)
	}
	if c.Level != "" {
		q.Set("level", c.Level)
	}
	if c.People {
		q.Set("people", "1")
	}
}

// Sides says what the cell counts, for people.
func (c cellPick) Sides(places *placeList) []string {
	var out []string
	for _, side := range c.In {
		name, key, _ := strings.Cut(side, "=")
		out = append(out, optionWords("dimension", name)+": "+keyWords(name, key, places))
	}
	return out
}

// optionWords are the words of a choice, or the choice itself.
func optionWords(list, slug string) string {
	for _, o := range options[list] {
		if o.Slug == slug {
			return o.Words
		}
	}
	return slug
}

// keyWords are the words of a row of a table.
func keyWords(dimension, key string, places *placeList) string {
	switch {
	case key == "":
		return "not known"
	case dimension == "workplace":
		return places.Title(key)
	case dimension == "month":
		return monthWords(key)
	case dimension == "dataset" && key == "here":
		return "reported here"
	}
	// The name of a value is the word of its enum and its own.
	for list, prefix := range map[string]string{"kind": "REPORT_KIND_", "outcome": "OUTCOME_CLASS_", "potential": "POTENTIAL_SEVERITY_", "group": "EMPLOYMENT_GROUP_"} {
		if rest, ok := strings.CutPrefix(key, prefix); ok {
			return optionWords(list, strings.ToLower(strings.ReplaceAll(rest, "_", "-")))
		}
	}
	return key
}

// reportsLink leads to the reports that a filter finds, as they stood; "" when there is none or
// the page of reports has no words for it.
func reportsLink(f *pb.ReportFilter, past *pastView) string {
	if f == nil || len(f.GetWorkplaces()) > 1 || len(f.GetKinds()) > 1 || len(f.GetPotentials()) > 1 || len(f.GetDatasets()) > 1 ||
		len(f.GetCells()) > 1 || len(f.GetCodes())+len(f.GetEmploymentGroups())+len(f.GetOutcomes()) > 0 {
		return ""
	}
	p := picked{Since: f.GetStartDate(), AsAt: past.Said()}
	if end, err := time.Parse(time.DateOnly, f.GetEndDate()); err == nil {
		p.Until = end.AddDate(0, 0, -1).Format(time.DateOnly)
	}
	for _, w := range f.GetWorkplaces() {
		p.Workplace = w
	}
	for _, k := range f.GetKinds() {
		p.Kind = words.Slug(k)
	}
	for _, s := range f.GetPotentials() {
		p.Potential = words.Slug(s)
	}
	for _, d := range f.GetDatasets() {
		p.Dataset = d
	}
	for _, c := range f.GetCells() {
		p.Cell.People = c.GetCountHarms()
		if c.GetCodeLevel() > 0 {
			p.Cell.Level = strconv.Itoa(int(c.GetCodeLevel()))
		}
		for _, s := range c.GetSides() {
			p.Cell.In = append(p.Cell.In, words.Slug(s.GetDimension())+"="+s.GetKey())
		}
	}
	return "/reports?" + p.query("")
}
