package desk

import (
	"context"
	"slices"
	"strings"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
)

// place is a workplace as a list shows it.
type place struct {
	Name, Title string
	Depth       int
	Indent      string
	Closed      bool
}

// placeList is the tree in reading order, with what pages ask of it.
type placeList struct {
	List []place
	// Seen are those that the person may ask about.
	Seen  []place
	byID  map[string]*pb.Workplace
	zones map[string]*time.Location
}

// Title returns a workplace's title.
func (p *placeList) Title(name string) string {
	if w, ok := p.byID[name]; ok {
		return w.GetTitle()
	}
	return name
}

// Zone returns the location of a workplace.
func (p *placeList) Zone(name string) *time.Location {
	for hops := 0; hops < 64; hops++ {
		w, ok := p.byID[name]
		if !ok {
			return time.UTC
		}
		if z := w.GetTimeZone(); z != "" {
			if loc, ok := p.zones[z]; ok {
				return loc
			}
			if loc, err := time.LoadLocation(z); err == nil {
				p.zones[z] = loc
				return loc
			}
		}
		name = w.GetParent()
	}
	return time.UTC
}

// Home returns the location of the whole organisation.
func (p *placeList) Home() *time.Location {
	if len(p.List) == 0 {
		return time.UTC
	}
	return p.Zone(p.List[0].Name)
}

// today is the date on the wall in a place, as forms send it.
func (d *desk) today(loc *time.Location) string { return d.opts.Clock().In(loc).Format(time.DateOnly) }

// placesFor reads the tree for somebody who has signed in.
func (d *desk) placesFor(v *visit) (*placeList, error) {
	p, err := d.allPlaces(v.ctx())
	if err != nil {
		return nil, err
	}
	if len(v.Places()) > 0 {
		p.Seen = p.below(v.Places())
	}
	return p, nil
}

// below is the part of the list at and below some workplaces, which is all
// that somebody bound to them is answered about.
func (p *placeList) below(roots []string) []place {
	var out []place
	depth := -1 // of the root that the walk is under; -1 for none
	for _, at := range p.List {
		if depth >= 0 && at.Depth <= depth {
			depth = -1
		}
		if depth < 0 && slices.Contains(roots, at.Name) {
			depth = at.Depth
		}
		if depth >= 0 {
			at.Indent = strings.Repeat(indent, at.Depth-depth)
			out = append(out, at)
		}
	}
	return out
}

// indent sets a workplace in below the one it belongs to.
const indent = "\u2003"

// allPlaces reads the whole tree.
func (d *desk) allPlaces(ctx context.Context) (*placeList, error) {
	out := &placeList{byID: map[string]*pb.Workplace{}, zones: map[string]*time.Location{}}
	below := map[string][]*pb.Workplace{}
	token := ""
	for {
		resp, err := d.places.ListWorkplaces(ctx, &pb.ListWorkplacesRequest{PageSize: 1000, PageToken: token})
		if err != nil {
			return nil, err
		}
		for _, w := range resp.GetWorkplaces() {
			out.byID[w.GetName()] = w
			below[w.GetParent()] = append(below[w.GetParent()], w)
		}
		if token = resp.GetNextPageToken(); token == "" {
			break
		}
	}
	var walk func(parent string, depth int)
	walk = func(parent string, depth int) {
		list := below[parent]
		slices.SortFunc(list, func(a, b *pb.Workplace) int {
			if a.GetTitle() < b.GetTitle() {
				return -1
			}
			return 1
		})
		for _, w := range list {
			out.List = append(out.List, place{w.GetName(), w.GetTitle(), depth, strings.Repeat(indent, depth), w.GetCloseTime() != nil})
			walk(w.GetName(), depth+1)
		}
	}
	walk("", 0)
	out.Seen = out.List
	return out, nil
}
