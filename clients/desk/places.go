package desk

import (
	"context"
	"slices"
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
	List  []place
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
			indent := ""
			for range depth {
				indent += "\u2003"
			}
			out.List = append(out.List, place{w.GetName(), w.GetTitle(), depth, indent, w.GetCloseTime() != nil})
			walk(w.GetName(), depth+1)
		}
	}
	walk("", 0)
	return out, nil
}
