package cli

import (
	"context"
	"time"

	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// tree is the workplaces as the service listed them.
type tree struct {
	byName map[string]*pb.Workplace
	order  []*pb.Workplace
	root   string
}

// workplaces returns the tree, and asks for it once.
func (s *session) workplaces(ctx context.Context) (*tree, error) {
	if s.tree != nil {
		return s.tree, nil
	}
	c, err := s.dial()
	if err != nil {
		return nil, err
	}
	t := &tree{byName: map[string]*pb.Workplace{}}
	for w, err := range c.ListWorkplaces(ctx) {
		if err != nil {
			return nil, err
		}
		t.byName[w.GetName()] = w
		t.order = append(t.order, w)
		if w.GetParent() == "" {
			t.root = w.GetName()
		}
	}
	s.tree = t
	return t, nil
}

// zone returns the time zone of a workplace, its own or that of the nearest
// workplace above that has one.
func (t *tree) zone(name string) (*time.Location, bool) {
	for range len(t.order) + 1 {
		w := t.byName[name]
		if w == nil {
			return time.UTC, false
		}
		if z := w.GetTimeZone(); z != "" {
			loc, err := time.LoadLocation(z)
			return loc, err == nil
		}
		name = w.GetParent()
	}
	return time.UTC, false
}

// zoneOf returns the time zone to show the times of a workplace in; UTC when
// it cannot be had.
func (s *session) zoneOf(ctx context.Context, workplace string) *time.Location {
	t, err := s.workplaces(ctx)
	if err != nil {
		return time.UTC
	}
	z, ok := t.zone(workplace)
	if !ok {
		return time.UTC
	}
	return z
}

// place expands what was typed for a workplace; "." is the root of the tree.
func (s *session) place(ctx context.Context, typed string) (string, error) {
	if typed != "." {
		return words.Workplace(typed), nil
	}
	t, err := s.workplaces(ctx)
	if err != nil {
		return "", err
	}
	if t.root == "" {
		return "", failf("There is no workplace yet. Add the organisation first: fairlead workplaces add ID --title NAME --level organisation --time-zone ZONE")
	}
	return t.root, nil
}

// scope expands what was typed for a workplace to look at; "." and nothing are
// the whole tree, as far as the caller may see it.
func scope(typed string) string {
	if typed == "." {
		return ""
	}
	return words.Workplace(typed)
}
