package search

import (
	"slices"

	index "github.com/blevesearch/bleve_index_api"

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
// by itself. A condition on persons hurt is met by any of them.
func conditions(reader index.IndexReader, f *pb.ReportFilter, days span) ([]anyOf, error) {
	var filters []anyOf
	for _, any := range []anyOf{
		numbers(fieldKind, f.GetKinds()),
		numbers(fieldPotential, f.GetPotentials()),
		numbers(fieldOutcome, f.GetOutcomes()),
		numbers(fieldGroup, f.GetEmploymentGroups()),
		inDatasets(f.GetDatasets()),
	} {
		if len(any) > 0 {
			filters = append(filters, any)
		}
	}
	terms, limited, err := days.days(reader)
	if err != nil {
		return nil, err
	}
	if limited {
		filters = append(filters, terms)
	}
	return filters, nil
}

func numbers[E ~int32](field string, values []E) anyOf {
	var any anyOf
	for _, v := range values {
		any = append(any, place{field, number(v)})
	}
	return any
}

func inDatasets(names []string) anyOf {
	var any anyOf
	for _, n := range names {
		any = append(any, place{fieldDataset, n})
	}
	return any
}

// rest returns the conditions that only the facts can answer, or nil when
// there are none: codes lie in resources of their own, and only the facts know
// which code stands below which. Voided reports stay in: the index has had its
// say on them.
func rest(f *pb.ReportFilter) *pb.ReportFilter {
	if len(f.GetCodes())+len(f.GetCells()) == 0 {
		return nil
	}
	r := &pb.ReportFilter{Codes: f.GetCodes(), Cells: f.GetCells(), IncludeVoided: true}
	if len(f.GetCells()) > 0 {
		// In a cell of persons hurt, one person meets them all.
		r.Outcomes, r.EmploymentGroups = f.GetOutcomes(), f.GetEmploymentGroups()
	}
	return r
}
