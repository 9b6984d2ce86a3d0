package figure

import (
	"fmt"
	"strings"
)

// ControlState says what a control did, for a [Cause] that is one.
type ControlState uint8

// The states of a control, drawn as a gate: closed, open, dotted.
const (
	NotControl ControlState = iota
	Held
	Failed
	Absent
)

// String returns the word that is written on the figure.
func (s ControlState) String() string {
	switch s {
	case Held:
		return "held"
	case Failed:
		return "failed"
	case Absent:
		return "not there"
	}
	return ""
}

// Cause is one node of a cause graph: a short sentence.
type Cause struct {
	ID   string
	Text string
	// Control makes the node a gate.
	Control ControlState
	// Outcome marks what it came to: the harm, the damage, the near miss.
	Outcome bool
	// Note is a word on the evidence: "seen", "said by two", "inferred".
	Note string
}

// Link leads from a cause to what came of it.
type Link struct {
	From, To string
	// Contributing draws a dashed line; otherwise the cause was necessary and
	// the line is solid.
	Contributing bool
}

// Causes is a cause graph, left to right in time. Where the figure is too
// narrow for its columns it becomes a list, earliest first, with the links
// drawn beside it. The graph should have no circles; a link that would close
// one, or that names no node, is left out of the drawing and named in the
// table.
type Causes struct {
	// Title names the graph for screen readers and the table.
	Title string
	Nodes []Cause
	Links []Link
}

// causeGraph is the drawable part of a graph, by index.
type causeGraph struct {
	c     Causes
	text  []string // what is written on each node
	next  [][]int  // effects of each node, without circles
	prev  [][]int  // causes of each node
	soft  [][]bool // parallel to next: contributing
	left  []string // links left out, in words
	order []int    // nodes, causes before effects
	rank  []int    // column of each node
}

func (c Causes) graph() *causeGraph {
	n := len(c.Nodes)
	g := &causeGraph{c: c, next: make([][]int, n), prev: make([][]int, n), soft: make([][]bool, n)}
	at := map[string]int{}
	for i, v := range c.Nodes {
		if _, twice := at[v.ID]; !twice {
			at[v.ID] = i
		}
		t := v.Text
		if v.Control != NotControl {
			t += ": " + v.Control.String()
		}
		if v.Note != "" {
			t += " (" + v.Note + ")"
		}
		g.text = append(g.text, t)
	}
	seen := map[[2]int]bool{}
	for _, l := range c.Links {
		a, okA := at[l.From]
		b, okB := at[l.To]
		switch {
		case !okA || !okB:
			g.left = append(g.left, fmt.Sprintf("Left out: a link from %q to %q names no node.", l.From, l.To))
		case seen[[2]int{a, b}]:
		case a == b || g.reaches(b, a):
			g.left = append(g.left, fmt.Sprintf("Left out: the link from %q to %q would close a circle.", c.Nodes[a].Text, c.Nodes[b].Text))
		default:
			seen[[2]int{a, b}] = true
			g.next[a] = append(g.next[a], b)
			g.soft[a] = append(g.soft[a], l.Contributing)
			g.prev[b] = append(g.prev[b], a)
		}
	}
	g.arrange()
	return g
}

// reaches tells whether there is a way from a to b.
func (g *causeGraph) reaches(a, b int) bool {
	done := make([]bool, len(g.next))
	todo := []int{a}
	for len(todo) > 0 {
		v := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		if v == b {
			return true
		}
		if done[v] {
			continue
		}
		done[v] = true
		todo = append(todo, g.next[v]...)
	}
	return false
}

// arrange puts causes before effects and gives each node its column: the
// longest way to an outcome decides, so that a cause stands just before what
// came of it.
func (g *causeGraph) arrange() {
	n := len(g.next)
	waits := make([]int, n)
	var ready []int
	for i := range waits {
		waits[i] = len(g.prev[i])
		if waits[i] == 0 {
			ready = append(ready, i)
		}
	}
	for len(ready) > 0 {
		v := ready[0]
		ready = ready[1:]
		g.order = append(g.order, v)
		for _, w := range g.next[v] {
			if waits[w]--; waits[w] == 0 {
				ready = append(ready, w)
			}
		}
	}
	g.rank = make([]int, n)
	longest := 0
	for i := n - 1; i >= 0; i-- {
		v := g.order[i]
		for _, w := range g.next[v] {
			g.rank[v] = max(g.rank[v], g.rank[w]+1)
		}
		longest = max(longest, g.rank[v])
	}
	for i := range g.rank {
		g.rank[i] = longest - g.rank[i]
	}
}

// Table returns the facts of the graph without laying it out.
func (c Causes) Table() Table {
	g := c.graph()
	t := Table{Caption: c.Title}
	t.col("What", false)
	t.col("Kind", false)
	t.col("Led to", false)
	for _, v := range g.order {
		var to []string
		for k, w := range g.next[v] {
			how := "necessary"
			if g.soft[v][k] {
				how = "contributing"
			}
			to = append(to, c.Nodes[w].Text+" ("+how+")")
		}
		t.Rows = append(t.Rows, []string{g.text[v], kind(c.Nodes[v]), strings.Join(to, "; ")})
	}
	t.Notes = g.left
	return t
}

func kind(v Cause) string {
	switch {
	case v.Outcome:
		return "outcome"
	case v.Control != NotControl:
		return "control, " + v.Control.String()
	}
	return "cause"
}

func (g *causeGraph) describe() string {
	if len(g.c.Nodes) == 0 {
		return "No causes yet."
	}
	var s []string
	for _, v := range g.order {
		for k, w := range g.next[v] {
			how := "led to"
			if g.soft[v][k] {
				how = "contributed to"
			}
			s = append(s, fmt.Sprintf("%s %s: %s.", strings.TrimRight(g.text[v], "."), how, strings.TrimRight(g.c.Nodes[w].Text, ".")))
		}
		if len(g.next[v]) == 0 && len(g.prev[v]) == 0 {
			s = append(s, strings.TrimRight(g.text[v], ".")+".")
		}
	}
	return strings.Join(append(s, g.left...), " ")
}

// anySoft tells whether the figure must explain the dashed line.
func (g *causeGraph) anySoft() bool {
	for _, ks := range g.soft {
		for _, k := range ks {
			if k {
				return true
			}
		}
	}
	return false
}

// Layout places the graph for a size.
func (c Causes) Layout(size Size) *Figure {
	size = size.sane()
	g := c.graph()
	f := &Figure{Width: size.Width, Text: size.Text, Title: c.Title, Desc: g.describe(), table: c.Table()}
	em := size.Text
	if len(c.Nodes) == 0 {
		f.add("", Text{At: Point{0, 1.1 * em}, S: "No causes yet.", Style: TextStyle{Size: em, Color: SoftInk}})
		f.Height = 1.6 * em
		return f
	}
	columns := 0
	for _, r := range g.rank {
		columns = max(columns, r+1)
	}
	if size.Width/float64(columns) >= 10*em && len(c.Nodes) <= 60 {
		drawColumns(f, g, em, columns)
	} else {
		drawList(f, g, em)
	}
	if g.anySoft() {
		y := f.Height + 1.1*em
		s := fit("solid line: necessary; dashed line: contributing", em, Regular, f.Width)
		f.add("", Text{At: Point{0, y}, S: s, Style: TextStyle{Size: em, Color: SoftInk}})
		f.Height = y + 0.4*em
	}
	return f
}

// gate draws a control: closed when it held, swung open when it failed, dotted
// posts without a gate when it was not there. x, y is the middle of its left
// post; it is 1.1 em wide.
func gate(x, y float64, s ControlState, em float64) []Mark {
	pen := Pen{Color: Ink, Width: 0.1 * em}
	w, h := 1.1*em, 0.45*em
	switch s {
	case Held:
		return []Mark{line(x, y-h, x, y+h, pen), line(x+w, y-h, x+w, y+h, pen),
			line(x, y-0.18*em, x+w, y-0.18*em, pen), line(x, y+0.18*em, x+w, y+0.18*em, pen)}
	case Failed:
		return []Mark{line(x, y-h, x, y+h, pen), line(x+w, y-h, x+w, y+h, pen),
			line(x, y-0.05*em, x+0.75*em, y-0.75*em, pen), line(x, y+0.25*em, x+0.75*em, y-0.45*em, pen)}
	}
	dots := Pen{Color: Ink, Width: 0.12 * em, Dash: []float64{0, 0.24 * em}}
	return []Mark{line(x, y-h, x, y+h, dots), line(x+w, y-h, x+w, y+h, dots)}
}

// arrow draws the head of a link that ends at p coming from the left.
func arrow(p Point, em float64) Mark {
	return Polyline{[]Point{{p.X - 0.4*em, p.Y - 0.25*em}, p, {p.X - 0.4*em, p.Y + 0.25*em}}, Pen{Color: Ink, Width: 0.08 * em}}
}

// linkPen is solid for a necessary cause and dashed for a contributing one.
func linkPen(soft bool, em float64) Pen {
	p := Pen{Color: Ink, Width: 0.08 * em}
	if soft {
		p.Dash = []float64{0.45 * em, 0.3 * em}
	}
	return p
}
