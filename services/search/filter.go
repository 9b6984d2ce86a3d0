package search

import (
	"slices"
	"strconv"

	index "github.com/blevesearch/bleve_index_api"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

// scope returns the filters that hold for everything an asker is told, whether
// found or only known of: where, and whether voided reports count. workplaces
// is the list that access.Narrow gave; empty means the whole tree.
func scope(t Tree, workplaces []string, includeVoided bool) []anyOf {
	var filters []anyOf
	if len(workplaces) > 0 && !slices.Contains(workplaces, t.Root()) {
		// Asked now and not written in the index: a workplace that moves
		// leaves the reach of whoever looks after its old place at once.
		var all []string
		for _, w := range workplaces {
			all = append(all, t.Below(w)...)
		}
		slices.Sort(all)
		var terms anyOf
		for _, w := range slices.Compact(all) {
			terms = append(terms, place{fieldWorkplace, w})
		}
		filters = append(filters, terms)
	}
	if !includeVoided {
		filters = append(filters, anyOf{{fieldState, standing}})
	}
	return filters
}

// conditions returns the further filters of a question that the index answers
// by itself.
func conditions(reader index.IndexReader, f *pb.ReportFilter, days span) ([]anyOf, error) {
	var filters []anyOf
	add := func(field string, terms []string) {
		if len(terms) == 0 {
			return
		}
		var any anyOf
		for _, t := range terms {
			any = append(any, place{field, t})
		}
		filters = append(filters, any)
	}
	var kinds []string
	for _, k := range f.GetKinds() {
		kinds = append(kinds, strconv.Itoa(int(k)))
	}
	add(fieldKind, kinds)
	add(fieldDataset, f.GetDatasets())
	terms, limited, err := days.days(reader)
	if err != nil {
		return nil, err
	}
	if limited {
		filters = append(filters, terms)
	}
	return filters, nil
}

// rest returns the conditions that only the facts can answer, or nil when
// there are none. Voided reports stay in: the index has had its say on them.
func rest(f *pb.ReportFilter) *pb.ReportFilter {
	r := &pb.ReportFilter{
		Outcomes: f.GetOutcomes(), Potentials: f.GetPotentials(),
		Codes: f.GetCodes(), EmploymentGroups: f.GetEmploymentGroups(),
	}
	if proto.Size(r) == 0 {
		return nil
	}
	r.IncludeVoided = true
	return r
}
