package agree

import (
	"slices"

	"fairlead/analytics/dist"
)

// Table returns the cross-table of the codes two coders gave to the same items,
// in the order of categories; an empty code is a missing one, and an item
// without both codes is left out and counted in missing. categories may be nil,
// then all codes met are used in alphabetical order. A code outside categories,
// or lists of different length, return an error that wraps [dist.ErrDomain].
func Table(first, second, categories []string) (order []string, table [][]int, missing int, err error) {
	const op = "agree: table"
	if len(first) != len(second) {
		return nil, nil, 0, dist.BadInt(op, "second", len(second), "must have as many codes as first")
	}
	order = slices.Clone(categories)
	if order == nil {
		for i := range first {
			if first[i] != "" && second[i] != "" {
				order = append(order, first[i], second[i])
			}
		}
		slices.Sort(order)
		order = slices.Compact(order)
	}
	at := make(map[string]int, len(order))
	for i, c := range order {
		at[c] = i
	}
	table = make([][]int, len(order))
	for i := range table {
		table[i] = make([]int, len(order))
	}
	for i := range first {
		if first[i] == "" || second[i] == "" {
			missing++
			continue
		}
		a, ok1 := at[first[i]]
		b, ok2 := at[second[i]]
		if !ok1 || !ok2 {
			return nil, nil, 0, dist.BadInt(op, "item", i, "has a code that is not among the categories")
		}
		table[a][b]++
	}
	return order, table, missing, nil
}
