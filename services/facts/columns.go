package facts

import (
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
)

// facets is how many axes a coding has; a facet's place in an array is its
// number less one.
const facets = 5

// codeSet is one coding: its codes by facet, 0 being no code, and whether they
// come from a crosswalk and nobody has reviewed them.
type codeSet struct {
	of         [facets]uint16
	unreviewed bool
}

// What is known of a row besides its values.
const (
	known  uint8 = 1 << iota // the report itself has been seen
	voided                   // taken out of every figure
	utcDay                   // the day is that of the instant in UTC
	erased                   // what the report said is no longer held
)

// columns is the state of the projection. A report has one row for ever; the
// people hurt in it have a run of neighbouring rows in hurt.
type columns struct {
	seq int64
	// erasures counts the changes by which something was erased.
	erasures int64

	rows map[id]uint32

	id        []id
	when      []int64 // microseconds since 1970: the event, else the receipt
	day       []int32 // days since 1970 in the workplace's time zone
	month     []month
	workplace []uint32
	dataset   []uint32
	kind      []uint8
	potential []uint8
	flags     []uint8
	outcomes  []uint8 // bit o is set when a person hurt stands in outcome o
	groups    []uint8 // bit g likewise, for employment groups
	first     []uint32
	people    []uint8 // persons hurt: rows first to first+people-1 of hurt
	worst     []uint8 // which of them is worst hurt
	codes     [facets][]uint16
	// unreviewed says that the report's own codes come from a crosswalk that
	// nobody has reviewed.
	unreviewed []bool

	hurt  hurtColumns
	loose map[looseCoding]codeSet
	order order
	hours hoursTable

	workplaces dict[uint32]
	datasets   dict[uint32]
	harmIDs    dict[uint32]
	codeTexts  [facets]dict[uint16]

	// zones is the time zone that the days of a workplace were counted in.
	zones []*time.Location
	fresh []uint32 // rows whose place in the order is not settled
}

// looseCoding is a coding whose harm is not in the report.
type looseCoding struct{ row, harm uint32 }

func newColumns() *columns {
	c := &columns{
		rows:       map[id]uint32{},
		loose:      map[looseCoding]codeSet{},
		workplaces: newDict[uint32](), datasets: newDict[uint32](), harmIDs: newDict[uint32](),
		zones: []*time.Location{time.UTC},
	}
	for i := range c.codeTexts {
		c.codeTexts[i] = newDict[uint16]()
	}
	c.hurt.init()
	c.hours.init()
	return c
}

func (c *columns) len() int { return len(c.id) }

// row returns the row of a report, making an empty one if it is new.
func (c *columns) row(u id) uint32 {
	if r, ok := c.rows[u]; ok {
		return r
	}
	r := uint32(len(c.id))
	c.rows[u] = r
	c.id = append(c.id, u)
	c.when = append(c.when, 0)
	c.day = append(c.day, 0)
	c.month = append(c.month, 0)
	c.workplace = append(c.workplace, 0)
	c.dataset = append(c.dataset, 0)
	c.kind = append(c.kind, 0)
	c.potential = append(c.potential, 0)
	c.flags = append(c.flags, 0)
	c.outcomes = append(c.outcomes, 0)
	c.groups = append(c.groups, 0)
	c.first = append(c.first, 0)
	c.people = append(c.people, 0)
	c.worst = append(c.worst, 0)
	for i := range c.codes {
		c.codes[i] = append(c.codes[i], 0)
	}
	c.unreviewed = append(c.unreviewed, false)
	return r
}

// reportCode returns the code that a report counts under.
func (c *columns) reportCode(facet int, r uint32) uint16 {
	if c.people[r] > 0 {
		if code := c.hurt.codes[facet][c.first[r]+uint32(c.worst[r])]; code != 0 {
			return code
		}
	}
	return c.codes[facet][r]
}

// harmCode returns the code that a person hurt counts under.
func (c *columns) harmCode(facet int, h uint32) uint16 {
	if code := c.hurt.codes[facet][h]; code != 0 {
		return code
	}
	r := c.hurt.report[h]
	if bodily(facet) && c.people[r] != 1 {
		return 0
	}
	return c.codes[facet][r]
}

// bodily says whether a facet speaks of one body rather than of the event.
func bodily(facet int) bool {
	f := facetOf(facet)
	return f == pb.Facet_FACET_NATURE || f == pb.Facet_FACET_BODILY_LOCATION
}

func facetOf(i int) pb.Facet     { return pb.Facet(i + 1) }
func facetIndex(f pb.Facet) int  { return int(f) - 1 }
func facetKnown(f pb.Facet) bool { return f >= 1 && f <= facets }
