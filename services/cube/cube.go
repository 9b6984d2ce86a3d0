package cube

import pb "fairlead/proto/gen/fairlead/v1"

// Question asks for counts.
type Question struct {
	// Filter picks what is counted; nil is everything.
	Filter *pb.ReportFilter
	// Workplaces, each with all below it, replaces that of the filter; empty is
	// the whole tree.
	Workplaces []string
	// Dimensions are what to count by: one to three, none twice.
	Dimensions []pb.Dimension
	// Level is the level of codes: 1 groups, deeper finer, 0 as coded.
	Level int32
	// Harms counts persons hurt instead of reports.
	Harms bool
	// Most bounds the cells; a cube of more has its sides and no counts.
	Most int
}

// Cube is counts by the dimensions of a question.
type Cube struct {
	// Sides are the dimensions, in the order asked for.
	Sides []Side
	// Counts are what was counted, the last side running fastest. Nil when there
	// are more cells than were asked for.
	Counts []int64
	// Reports is how many different reports are behind each count: the counts
	// themselves when reports are counted.
	Reports []int64
	// Total is the sum of the counts.
	Total int64
	// Seq is the sequence number that the counts reflect.
	Seq int64
}

// Side is one dimension of a cube. What has no value stands first, under the
// empty key, if there is any; categories that nothing was counted in are left
// out, except between the first and the last month or year.
type Side struct {
	// Dimension is what the side counts by.
	Dimension pb.Dimension
	// Heads are its categories with their totals.
	Heads []*pb.TableHead
	// Unreviewed is, by category, how many of those counted have the code from a
	// crosswalk that nobody has reviewed. All 0 when the side is not coded.
	Unreviewed []int64
}

// Unknown returns how many have no value on the side.
func (s Side) Unknown() int64 {
	if len(s.Heads) > 0 && s.Heads[0].GetKey() == "" {
		return s.Heads[0].GetTotal()
	}
	return 0
}

// Known returns the index of the first category that is a value: 1 when some
// have none, else 0.
func (s Side) Known() int {
	if len(s.Heads) > 0 && s.Heads[0].GetKey() == "" {
		return 1
	}
	return 0
}

// Cells returns how many cells the sides make.
func (c *Cube) Cells() int {
	n := 1
	for _, s := range c.Sides {
		n *= len(s.Heads)
	}
	return n
}

// At returns the index of a cell into Counts and Reports.
func (c *Cube) At(place ...int) int {
	i := 0
	for d, s := range c.Sides {
		i = i*len(s.Heads) + place[d]
	}
	return i
}
