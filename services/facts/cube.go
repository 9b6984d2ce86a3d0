package facts

import (
	"slices"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/cube"
)

// Cubes answers questions of how often things come together, all at one sequence
// number. What each counts is what [Facts.Tabulate] counts.
func (f *Facts) Cubes(questions ...cube.Question) ([]*cube.Cube, error) {
	f.mu.RLock()
	defer f.mu.RUnlock()
	var out []*cube.Cube
	for _, q := range questions {
		p, err := f.compile(q.Filter, q.Workplaces, q.Harms)
		if err != nil {
			return nil, err
		}
		b := &cubeBuilder{c: f.columns, predicate: p, harms: q.Harms, out: &cube.Cube{Seq: f.columns.seq}}
		for _, d := range q.Dimensions {
			b.axes = append(b.axes, f.axisOf(d, q.Level, q.Harms))
		}
		b.build(q.Most)
		out = append(out, b.out)
	}
	return out, nil
}

// maxDirect is how many cells are counted into at once, before it is known which
// of their rows and columns are empty.
const maxDirect = 2_000_000

// cubeBuilder counts one cube.
type cubeBuilder struct {
	c         *columns
	predicate *predicate
	harms     bool
	axes      []*axis
	out       *cube.Cube
	// totals and unreviewed are by axis and category.
	totals, unreviewed [][]int64
}

// build counts. Few enough possible cells are counted at once and the empty rows
// and columns left out after; otherwise a first pass sees which occur.
func (b *cubeBuilder) build(most int) {
	cells, widths := 1, make([]int, len(b.axes))
	for d, a := range b.axes {
		b.totals = append(b.totals, make([]int64, len(a.heads)))
		b.unreviewed = append(b.unreviewed, make([]int64, len(a.heads)))
		widths[d] = len(a.heads)
		cells = min(cells*len(a.heads), maxDirect+1)
	}
	if cells <= maxDirect {
		counts, reports := b.count(widths, cells, true)
		shown := b.sides()
		if b.out.Cells() <= most {
			b.out.Counts = pick(counts, widths, shown)
			b.out.Reports = b.out.Counts
			if b.harms {
				b.out.Reports = pick(reports, widths, shown)
			}
		}
		return
	}
	b.count(widths, 0, true)
	for d, shown := range b.sides() {
		widths[d] = len(shown)
		squeeze(b.axes[d], shown)
	}
	if b.out.Cells() <= most {
		b.out.Counts, b.out.Reports = b.count(widths, b.out.Cells(), false)
	}
}

// count goes through what matches once. It counts by all axes together when
// there are cells, and by each axis on its own when asked to.
func (b *cubeBuilder) count(widths []int, cells int, each bool) (counts, reports []int64) {
	counts = make([]int64, cells)
	if reports = counts; b.harms {
		reports = make([]int64, cells)
	}
	var at, cell [blockRows]uint32
	var doubt [blockRows]bool
	// Persons hurt in one report are neighbours: the cells they stand in are
	// remembered until the next report begins.
	last, seen := free, []uint32(nil)
	b.predicate.scan(func(rows []uint32) {
		if each {
			b.out.Total += int64(len(rows))
		}
		clear(cell[:len(rows)])
		for d, a := range b.axes {
			if each && a.facet != pb.Facet_FACET_UNSPECIFIED {
				b.c.codesAndDoubt(facetIndex(a.facet), b.harms, rows, at[:], doubt[:])
				for i := range rows {
					at[i] = a.categories[at[i]-a.base]
					if doubt[i] {
						b.unreviewed[d][at[i]]++
					}
				}
			} else {
				a.fill(rows, at[:])
			}
			if each {
				for _, n := range at[:len(rows)] {
					b.totals[d][n]++
				}
			}
			width := uint32(widths[d])
			for i := range rows {
				cell[i] = cell[i]*width + at[i]
			}
		}
		if cells == 0 {
			return
		}
		if !b.harms {
			for _, n := range cell[:len(rows)] {
				counts[n]++
			}
			return
		}
		for i, h := range rows {
			n := cell[i]
			counts[n]++
			if r := b.c.hurt.report[h]; r != last {
				last, seen = r, seen[:0]
			}
			if !slices.Contains(seen, n) {
				seen = append(seen, n)
				reports[n]++
			}
		}
	})
	return counts, reports
}

// sides puts the categories that occur into the cube, and returns them by axis.
func (b *cubeBuilder) sides() (shown [][]uint32) {
	for d, a := range b.axes {
		s := cube.Side{Dimension: a.dimension}
		keep := a.shown(b.totals[d])
		for _, n := range keep {
			s.Heads = append(s.Heads, a.tableHead(n, b.totals[d][n]))
			s.Unreviewed = append(s.Unreviewed, b.unreviewed[d][n])
		}
		b.out.Sides = append(b.out.Sides, s)
		shown = append(shown, keep)
	}
	return shown
}

// pick takes the cells of the categories shown out of those of all categories.
func pick(all []int64, widths []int, shown [][]uint32) []int64 {
	from, n := []int{0}, 1
	for d, keep := range shown {
		n *= len(keep)
		next := make([]int, 0, n)
		for _, base := range from {
			for _, category := range keep {
				next = append(next, base*widths[d]+int(category))
			}
		}
		from = next
	}
	out := make([]int64, 0, len(from))
	for _, i := range from {
		out = append(out, all[i])
	}
	return out
}

// codesAndDoubt reads the code that each row counts under, and whether it comes
// from a crosswalk that nobody has reviewed.
func (c *columns) codesAndDoubt(facet int, harms bool, rows, codes []uint32, doubt []bool) {
	own, hurt := c.codes[facet], c.hurt.codes[facet]
	if harms {
		for i, h := range rows {
			if hurt[h] != 0 {
				codes[i], doubt[i] = uint32(hurt[h]), c.hurt.marks[h]&unreviewed != 0
				continue
			}
			codes[i] = uint32(c.harmCode(facet, h))
			doubt[i] = codes[i] != 0 && c.unreviewed[c.hurt.report[h]]
		}
		return
	}
	for i, r := range rows {
		code, d := own[r], c.unreviewed[r]
		if c.people[r] > 0 {
			h := c.first[r] + uint32(c.worst[r])
			if of := hurt[h]; of != 0 {
				code, d = of, c.hurt.marks[h]&unreviewed != 0
			}
		}
		codes[i], doubt[i] = uint32(code), d && code != 0
	}
}
