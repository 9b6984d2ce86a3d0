package cause

import (
	"cmp"
	"fmt"
	"slices"

	"fairlead/analytics/dist"
	"fairlead/analytics/rate"
)

// Category is one category with its count.
type Category struct {
	Label string
	Count int
}

// Pareto is categories by size. Reports whose category is unknown are beside
// the list, never in its order and never left out of sight.
type Pareto struct {
	Rows    []ParetoRow // largest first; ties by label
	Known   int         // reports in the rows
	Unknown int
	// UnknownShare is Unknown out of all reports. A list of which a third is
	// unknown may have any category on top.
	UnknownShare rate.Share
	Level        float64
}

// ParetoRow is one category of a Pareto list.
type ParetoRow struct {
	Category
	Rank    int        // ties share the first of their ranks: 1, 2, 2, 4
	Tied    bool       // another category has the same count
	Share   rate.Share // of reports with a known category
	Running float64    // share of this and all larger categories, ties included together
	// Apart is the chance, by chance alone, of as large a gap between this
	// category and the next smaller one if both were equally common; 1 in the
	// last row. Where it is not small, the order of the two means nothing.
	Apart float64
}

// ParetoOf sorts categories by count. unknown is how many reports have no known
// category; level is that of the intervals, 0 means 0.95. Categories without
// reports stay in the list.
//
// Counts and unknown must be in [0, 1e9) and add up to less than 1e9, and
// labels differ; otherwise the error wraps [dist.ErrDomain].
func ParetoOf(categories []Category, unknown int, level float64) (Pareto, error) {
	const op = "cause: pareto"
	if level == 0 {
		level = defaultLevel
	}
	if err := dist.CheckLevel(op, level); err != nil {
		return Pareto{}, err
	}
	if unknown < 0 || unknown >= maxCell {
		return Pareto{}, dist.BadInt(op, "unknown", unknown, "must be at least 0 and below 1e9 reports")
	}
	p := Pareto{Unknown: unknown, Level: level}
	seen := map[string]bool{}
	for i, c := range categories {
		if c.Count < 0 || c.Count >= maxCell {
			return Pareto{}, dist.BadInt(op, fmt.Sprintf("categories[%d]", i), c.Count, "must be at least 0 and below 1e9 reports")
		}
		if seen[c.Label] {
			return Pareto{}, &dist.DomainError{Op: op, Arg: fmt.Sprintf("categories[%d]", i), Value: c.Label, Need: "must differ from the labels before it"}
		}
		seen[c.Label] = true
		p.Known += c.Count
		p.Rows = append(p.Rows, ParetoRow{Category: c, Apart: 1})
	}
	if p.Known+unknown >= maxCell {
		return Pareto{}, dist.BadInt(op, "categories", p.Known+unknown, "must add up to less than 1e9 reports")
	}
	slices.SortStableFunc(p.Rows, func(a, b ParetoRow) int {
		if a.Count != b.Count {
			return b.Count - a.Count
		}
		return cmp.Compare(a.Label, b.Label)
	})
	var err error
	if p.UnknownShare, err = rate.ShareOf(unknown, p.Known+unknown, level); err != nil {
		return Pareto{}, fmt.Errorf("%s: %w", op, err)
	}
	return p, p.rank(op)
}

// rank fills what depends on the order.
func (p *Pareto) rank(op string) error {
	running := 0
	for i := 0; i < len(p.Rows); {
		j := i
		for j < len(p.Rows) && p.Rows[j].Count == p.Rows[i].Count {
			running += p.Rows[j].Count
			j++
		}
		for k := i; k < j; k++ {
			r := &p.Rows[k]
			r.Rank, r.Tied = i+1, j-i > 1
			if p.Known > 0 {
				r.Running = float64(running) / float64(p.Known)
			}
			var err error
			if r.Share, err = rate.ShareOf(r.Count, p.Known, p.Level); err != nil {
				return fmt.Errorf("%s: %w", op, err)
			}
		}
		i = j
	}
	for i := range p.Rows[:max(0, len(p.Rows)-1)] {
		// Given their sum, either of two equally common categories is as likely
		// as the other to have each report.
		a, b := p.Rows[i].Count, p.Rows[i+1].Count
		if a > b {
			d, err := dist.NewBinomial(a+b, 0.5)
			if err != nil {
				return fmt.Errorf("%s: %w", op, err)
			}
			p.Rows[i].Apart = min(1, 2*d.Survival(a))
		}
	}
	return nil
}

// Covering returns how many rows from the top, whole ties together, hold at
// least the given share of the reports with a known category.
func (p Pareto) Covering(share float64) int {
	for i, r := range p.Rows {
		if r.Running >= share-1e-12 {
			// The row after the last of this tie is the first with another rank.
			for i++; i < len(p.Rows) && p.Rows[i].Rank == r.Rank; i++ {
			}
			return i
		}
	}
	return len(p.Rows)
}
