package measure

import "slices"

// places are workplaces with those above them, each before those below it.
type places struct {
	tree   Tree
	names  []string
	parent []int
}

func newPlaces(t Tree) *places { return &places{tree: t, names: []string{t.Root()}, parent: []int{-1}} }

// add puts a workplace and those above it in, once.
func (p *places) add(workplace string) {
	above := 0
	for _, w := range p.tree.Path(workplace) {
		at := slices.Index(p.names, w)
		if at < 0 {
			at = len(p.names)
			p.names, p.parent = append(p.names, w), append(p.parent, above)
		}
		above = at
	}
}
