package classify

import (
	"context"
	"fmt"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/classify/toocs"
	"fairlead/services/fault"
)

// facet ties the contract's facet, the table's and the field of a Coding.
type facet struct {
	pb    pb.Facet
	table toocs.Facet
	field string
	get   func(*pb.Coding) *string
	// forHarm says that the facet makes no sense where nobody was hurt, and
	// ofBody that it says something of one person's body.
	forHarm, ofBody bool
}

// facets are the five, in the order of the contract.
var facets = []facet{
	{pb.Facet_FACET_NATURE, toocs.NatureFacet, "nature", func(c *pb.Coding) *string { return &c.Nature }, true, true},
	{pb.Facet_FACET_BODILY_LOCATION, toocs.BodilyLocationFacet, "bodily_location", func(c *pb.Coding) *string { return &c.BodilyLocation }, true, true},
	{pb.Facet_FACET_MECHANISM, toocs.MechanismFacet, "mechanism", func(c *pb.Coding) *string { return &c.Mechanism }, false, false},
	{pb.Facet_FACET_BREAKDOWN_AGENCY, toocs.BreakdownAgencyFacet, "breakdown_agency", func(c *pb.Coding) *string { return &c.BreakdownAgency }, false, false},
	{pb.Facet_FACET_AGENCY, toocs.AgencyFacet, "agency", func(c *pb.Coding) *string { return &c.Agency }, true, false},
}

func facetOf(f pb.Facet) (facet, bool) {
	for _, x := range facets {
		if x.pb == f {
			return x, true
		}
	}
	return facet{}, false
}

// Tables answers from the code tables; other rooms are wired to it.
type Tables struct{ table *toocs.Table }

// NewTables returns the tables over one edition.
func NewTables(t *toocs.Table) *Tables { return &Tables{table: t} }

// Name is what a coding carries as its edition: scheme and number.
func (t *Tables) Name() string {
	e := t.table.Edition()
	return e.Scheme + " " + e.Edition
}

// Credit names the edition with whose it is and what to do before relying on
// it.
func (t *Tables) Credit() string {
	e := t.table.Edition()
	return strings.TrimSpace(fmt.Sprintf("%s. %s %s", e, e.Credit, e.Advice))
}

// Check puts the codes of a coding into their canonical form in place, sets
// its edition, and says what is wrong with them: every code must be one that
// may be given in its facet. A refusal names the nearest codes that may.
// Fields are named as in Coding. Facets without a code are left alone.
func (t *Tables) Check(_ context.Context, c *pb.Coding) []fault.Violation {
	var vs fault.Violations
	if e := c.GetEdition(); e != "" && e != t.Name() {
		vs.Add("edition", "is not loaded here; codes are checked against "+t.Name()+", so leave the edition out or code by that one")
	}
	for _, f := range facets {
		code := f.get(c)
		if strings.TrimSpace(*code) == "" {
			*code = ""
			continue
		}
		found, err := t.table.Resolve(f.table, *code)
		if err != nil {
			vs.Add(f.field, t.refusal(f, *code, err))
			continue
		}
		*code = found.Code
	}
	if len(vs) == 0 && t.count(c) > 0 {
		c.Edition = t.Name()
	}
	return vs
}

// count returns how many facets have a code.
func (t *Tables) count(c *pb.Coding) int {
	n := 0
	for _, f := range facets {
		if *f.get(c) != "" {
			n++
		}
	}
	return n
}

func facetNames() string {
	var names []string
	for _, f := range facets {
		names = append(names, f.field)
	}
	return strings.Join(names, ", ")
}

// AtLevel returns the code above a code (or the code itself) at a level, 1 at
// the top, with its title. A code that is not so deep, or not in the table,
// comes back as it is.
func (t *Tables) AtLevel(f pb.Facet, code string, level int32) (above, title string) {
	x, ok := facetOf(f)
	if !ok {
		return code, ""
	}
	chain := t.table.Chain(x.table.List(), code)
	if len(chain) == 0 {
		return code, ""
	}
	best := chain[len(chain)-1]
	if level > 0 {
		for _, c := range chain {
			if int32(c.Level) <= level {
				best = c
			}
		}
		if int32(best.Level) > level {
			best = chain[0]
		}
	}
	return best.Code, best.Title
}

// Title returns the title of a code, "" when it is not in the table.
func (t *Tables) Title(f pb.Facet, code string) string {
	x, ok := facetOf(f)
	if !ok {
		return ""
	}
	c, ok := t.table.Get(x.table.List(), code)
	if !ok {
		return ""
	}
	return c.Title
}

// show turns a table's row into the contract's.
func (t *Tables) show(f facet, c toocs.Code) *pb.Code {
	out := &pb.Code{Facet: f.pb, Code: c.Code, Parent: c.Parent, Level: int32(c.Level), Title: c.Title,
		Assignable: t.table.Assignable(f.table, c.Code), Confidence: string(c.Confidence)}
	chain := t.table.Chain(f.table.List(), c.Code)
	for _, up := range chain[:max(len(chain)-1, 0)] {
		out.Path = append(out.Path, up.Title)
	}
	return out
}

// codesOf returns the codes of a coding with their titles, in facet order.
func (t *Tables) codesOf(c *pb.Coding) []*pb.Code {
	var out []*pb.Code
	for _, f := range facets {
		code := *f.get(c)
		if code == "" {
			continue
		}
		if row, ok := t.table.Get(f.table.List(), code); ok {
			out = append(out, t.show(f, row))
			continue
		}
		// Given under another edition: shown as it was given.
		out = append(out, &pb.Code{Facet: f.pb, Code: code})
	}
	return out
}
