package facts

import (
	"cmp"
	"math"
	"slices"
	"strconv"

	pb "fairlead/proto/gen/fairlead/v1"
)

// raws writes the raw value of a dimension for each row of a block.
type raws func(rows, out []uint32)

// head is one category of an axis before it is known to occur.
type head struct {
	key, title string
	// rank orders heads that are not ordered by their key.
	rank int
}

// axis is one dimension of a table: how to read a row's raw value, and which
// category each raw value belongs to. Category 0 is "no value".
type axis struct {
	dimension pb.Dimension
	facet     pb.Facet
	read      raws
	// category of raw value base+i is categories[i].
	categories []uint32
	base       uint32
	heads      []head
	// whole is set where the categories between the first and the last that
	// occur are shown even when nothing was counted in them.
	whole bool
}

// fill writes the category of each row of a block.
func (a *axis) fill(rows, out []uint32) {
	a.read(rows, out)
	for i := range rows {
		out[i] = a.categories[out[i]-a.base]
	}
}

// axisOf makes the axis of a dimension; unset gives one column of counts.
func (f *Facts) axisOf(d pb.Dimension, level int32, harms bool) *axis {
	c := f.columns
	a := &axis{dimension: d, heads: []head{{title: unknownTitle(d)}}}
	switch d {
	case pb.Dimension_DIMENSION_KIND:
		a.read = through(c.kind, c, harms)
		a.enum(kindCount, func(n int) (string, string) { return pb.ReportKind(n).String(), kindTitles[n] })
	case pb.Dimension_DIMENSION_POTENTIAL:
		a.read = through(c.potential, c, harms)
		a.enum(potentialCount, func(n int) (string, string) { return pb.PotentialSeverity(n).String(), potentialTitles[n] })
	case pb.Dimension_DIMENSION_OUTCOME:
		a.read = ofHurt(c.hurt.outcome, c, harms)
		a.enum(outcomeCount, func(n int) (string, string) { return pb.OutcomeClass(n).String(), outcomeTitles[n] })
	case pb.Dimension_DIMENSION_EMPLOYMENT_GROUP:
		a.read = ofHurt(c.hurt.group, c, harms)
		a.enum(groupCount, func(n int) (string, string) { return pb.EmploymentGroup(n).String(), groupTitles[n] })
	case pb.Dimension_DIMENSION_WORKPLACE:
		a.read = through(c.workplace, c, harms)
		a.texts(c.workplaces.texts, func(name string) head {
			if w, ok := f.tree.Get(name); ok {
				return head{key: name, title: w.GetTitle()}
			}
			return head{key: name, title: name}
		})
	case pb.Dimension_DIMENSION_DATASET:
		a.read = through(c.dataset, c, harms)
		a.texts(c.datasets.texts, func(name string) head { return head{key: name, title: name} })
		// No data set is no gap in knowledge: the report was filed here.
		a.heads = append(a.heads, head{key: here, title: "filed here", rank: -1})
		a.categories[0] = uint32(len(a.heads) - 1)
	case pb.Dimension_DIMENSION_MONTH, pb.Dimension_DIMENSION_YEAR:
		a.read = through(c.month, c, harms)
		a.months(c, d == pb.Dimension_DIMENSION_YEAR)
	case pb.Dimension_DIMENSION_MECHANISM:
		f.codeAxis(a, pb.Facet_FACET_MECHANISM, level, harms)
	case pb.Dimension_DIMENSION_BREAKDOWN_AGENCY:
		f.codeAxis(a, pb.Facet_FACET_BREAKDOWN_AGENCY, level, harms)
	case pb.Dimension_DIMENSION_AGENCY:
		f.codeAxis(a, pb.Facet_FACET_AGENCY, level, harms)
	case pb.Dimension_DIMENSION_NATURE:
		f.codeAxis(a, pb.Facet_FACET_NATURE, level, harms)
	case pb.Dimension_DIMENSION_BODILY_LOCATION:
		f.codeAxis(a, pb.Facet_FACET_BODILY_LOCATION, level, harms)
	default:
		a.read = func(rows, out []uint32) { clear(out[:len(rows)]) }
		a.heads = []head{{key: "count", title: "count"}}
		a.categories = []uint32{0}
	}
	return a
}

// through reads a column of reports, for reports or for persons hurt.
func through[T ~uint8 | ~uint16 | ~uint32](column []T, c *columns, harms bool) raws {
	if harms {
		return func(rows, out []uint32) {
			for i, h := range rows {
				out[i] = uint32(column[c.hurt.report[h]])
			}
		}
	}
	return func(rows, out []uint32) {
		for i, r := range rows {
			out[i] = uint32(column[r])
		}
	}
}

// ofHurt reads a column of persons hurt: that of each person, or for a report
// that of the one worst hurt.
func ofHurt(column []uint8, c *columns, harms bool) raws {
	if harms {
		return func(rows, out []uint32) {
			for i, h := range rows {
				out[i] = uint32(column[h])
			}
		}
	}
	return func(rows, out []uint32) {
		for i, r := range rows {
			out[i] = 0
			if c.people[r] > 0 {
				out[i] = uint32(column[c.first[r]+uint32(c.worst[r])])
			}
		}
	}
}

func (f *Facts) codeAxis(a *axis, facet pb.Facet, level int32, harms bool) {
	c, i := f.columns, facetIndex(facet)
	a.facet = facet
	a.read = func(rows, out []uint32) {
		// reportCode, written out: this loop is the longest part of a table.
		own, hurt := c.codes[i], c.hurt.codes[i]
		for k, r := range rows {
			code := own[r]
			if c.people[r] > 0 {
				if of := hurt[c.first[r]+uint32(c.worst[r])]; of != 0 {
					code = of
				}
			}
			out[k] = uint32(code)
		}
	}
	if harms {
		a.read = func(rows, out []uint32) {
			for k, h := range rows {
				out[k] = uint32(c.harmCode(i, h))
			}
		}
	}
	a.texts(c.codeTexts[i].texts, func(code string) head {
		if level <= 0 {
			return head{key: code, title: f.codes.Title(facet, code)}
		}
		above, title := f.codes.AtLevel(facet, code, level)
		if above == "" {
			above = code
		}
		return head{key: above, title: title}
	})
}

// enum makes one category per value.
func (a *axis) enum(count int, name func(n int) (key, title string)) {
	a.categories = make([]uint32, count)
	for n := 1; n < count; n++ {
		key, title := name(n)
		a.heads = append(a.heads, head{key: key, title: title, rank: n})
		a.categories[n] = uint32(n)
	}
}

// texts makes one category per different head of a dictionary's texts.
func (a *axis) texts(texts []string, of func(text string) head) {
	a.categories = make([]uint32, len(texts))
	seen := map[string]uint32{}
	for n, text := range texts[1:] {
		h := of(text)
		category, ok := seen[h.key]
		if !ok {
			category = uint32(len(a.heads))
			seen[h.key] = category
			if h.title == "" {
				h.title = h.key
			}
			a.heads = append(a.heads, h)
		}
		a.categories[n+1] = category
	}
}

// months makes one category per month or year from the first to the last that
// any report has.
func (a *axis) months(c *columns, years bool) {
	a.whole = true
	first, last := month(math.MaxUint16), month(0)
	for r, m := range c.month {
		if c.flags[r]&known != 0 {
			first, last = min(first, m), max(last, m)
		}
	}
	if first > last {
		return
	}
	a.base = uint32(first)
	a.categories = make([]uint32, last-first+1)
	for m := first; ; m++ {
		key, title := m.key(), m.title()
		if years {
			key = strconv.Itoa(m.year())
			title = key
		}
		if a.heads[len(a.heads)-1].key != key {
			a.heads = append(a.heads, head{key: key, title: title, rank: len(a.heads)})
		}
		a.categories[m-first] = uint32(len(a.heads) - 1)
		if m == last {
			return
		}
	}
}

// shown returns the categories to show, in order, for the counts in totals.
func (a *axis) shown(totals []int64) []uint32 {
	var out []uint32
	for n := range a.heads {
		if totals[n] > 0 || a.dimension == pb.Dimension_DIMENSION_UNSPECIFIED {
			out = append(out, uint32(n))
		}
	}
	if a.whole && len(out) > 0 {
		from, to := out[0], out[len(out)-1]
		out = out[:0]
		for n := from; n <= to; n++ {
			out = append(out, n)
		}
		return out
	}
	slices.SortFunc(out, func(x, y uint32) int {
		if x == 0 || y == 0 {
			return cmp.Compare(x, y) // no value comes first
		}
		if d := cmp.Compare(a.heads[x].rank, a.heads[y].rank); d != 0 {
			return d
		}
		return cmp.Compare(a.heads[x].key, a.heads[y].key)
	})
	return out
}

func (a *axis) tableHead(n uint32, total int64) *pb.TableHead {
	h := &pb.TableHead{Key: a.heads[n].key, Title: a.heads[n].title, Total: total}
	if h.Key != "" {
		h.Facet = a.facet
	}
	return h
}
