package workplace

import (
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

// prefix starts every name of a workplace.
const prefix = "workplaces/"

// forest is one whole state of the tree. It is never changed once made.
type forest struct {
	nodes map[string]*node
	// order holds the names so that what stands below a node follows it:
	// order[enter:leave] is the node and all below it.
	order []string
	root  string
}

// node is one workplace and where it stands.
type node struct {
	// effective has the time zone and jurisdiction of above filled in.
	effective    *pb.Workplace
	path         []string
	enter, leave int
	zone         *time.Location
	// close is the earliest closing of the workplace and those above it; zero
	// when none is closed.
	close time.Time
}

// grow makes a forest of workplaces as stored. The writes keep the tree whole;
// should it not be (a state read in two pages while a workplace moved, which
// the next change puts right), a workplace whose way up does not end at a
// root stands alone, without losing its name.
func grow(stored map[string]*entry) (*forest, error) {
	f := &forest{nodes: make(map[string]*node, len(stored)), order: make([]string, 0, len(stored))}
	names := make([]string, 0, len(stored))
	children := make(map[string][]string)
	for name := range stored {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		if parent := stored[name].own.GetParent(); parent != "" {
			children[parent] = append(children[parent], name)
		}
	}
	var plant func(name string, above *node) error
	plant = func(name string, above *node) error {
		n, err := place(stored[name].own, above)
		if err != nil {
			return err
		}
		n.enter = len(f.order)
		f.nodes[name] = n
		f.order = append(f.order, name)
		for _, child := range children[name] {
			if f.nodes[child] == nil {
				if err := plant(child, n); err != nil {
					return err
				}
			}
		}
		n.leave = len(f.order)
		return nil
	}
	for _, name := range names {
		if stored[name].own.GetParent() == "" {
			if f.root == "" {
				f.root = name
			}
			if err := plant(name, nil); err != nil {
				return nil, err
			}
		}
	}
	for _, name := range names {
		if f.nodes[name] == nil {
			if err := plant(name, nil); err != nil {
				return nil, err
			}
		}
	}
	return f, nil
}

// place makes the node of a workplace below another, or of one without.
func place(own *pb.Workplace, above *node) (*node, error) {
	n := &node{effective: proto.Clone(own).(*pb.Workplace)}
	e := n.effective
	if own.GetCloseTime() != nil {
		n.close = own.GetCloseTime().AsTime()
	}
	if above != nil {
		n.path = append(slices.Clone(above.path), own.GetName())
		n.zone = above.zone
		if e.TimeZone == "" {
			e.TimeZone = above.effective.TimeZone
		}
		if e.Jurisdiction == "" {
			e.Jurisdiction = above.effective.Jurisdiction
		}
		if !above.close.IsZero() && (n.close.IsZero() || above.close.Before(n.close)) {
			n.close = above.close
		}
	} else {
		n.path = []string{own.GetName()}
		n.zone = time.UTC
	}
	if own.GetTimeZone() != "" {
		zone, err := time.LoadLocation(own.GetTimeZone())
		if err != nil {
			// Counting days in another zone would be a wrong figure that
			// nobody sees: better to stop and say what is missing.
			return nil, fmt.Errorf("workplace: %s: time zone %q does not load here, time zone data may be missing: %w",
				own.GetName(), own.GetTimeZone(), err)
		}
		n.zone = zone
	}
	return n, nil
}

// distance is the number of single-character changes, and swaps of neighbours,
// between two ids. Ids are at most 63 ASCII characters.
func distance(a, b string) int {
	two, one, cur := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range one {
		one[j] = j
	}
	for i := 1; i <= len(a); i++ {
		cur[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			cur[j] = min(one[j]+1, cur[j-1]+1, one[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				cur[j] = min(cur[j], two[j-2]+1)
			}
		}
		two, one, cur = one, cur, two
	}
	return one[len(b)]
}
