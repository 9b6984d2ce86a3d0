package figure

import "math"

// Point is a place on the figure in points, y downwards.
type Point struct{ X, Y float64 }

// Pen is how a line is drawn. A zero Width draws no line.
type Pen struct {
	Color Color
	Width float64
	// Dash is the length of dashes and gaps; nil is a solid line. A dash of
	// length 0 with a round end is a dot.
	Dash []float64
}

// Fill is how an area is filled. The zero Fill leaves the ground showing.
type Fill struct {
	Color Color
	Solid bool
}

// Solid returns a Fill of one colour.
func Solid(c Color) Fill { return Fill{Color: c, Solid: true} }

// Weight is the weight of a typeface.
type Weight uint8

// The two weights of the figures.
const (
	Regular Weight = iota
	Bold
)

// Anchor says which end of a text stands at its point.
type Anchor uint8

// Where a text stands in relation to its point.
const (
	Start Anchor = iota
	Middle
	End
)

// TextStyle is how a text is set.
type TextStyle struct {
	Size   float64 // points
	Weight Weight
	Anchor Anchor
	Color  Color
	// Halo is set where a line may pass behind the words: the device clears
	// the ground around them with Paper.
	Halo bool
}

// Device draws the primitives of a figure. An implementation for another
// format (PDF, a plotter, a test) needs only these. All coordinates are finite
// and in points, y downwards; text stands on its baseline.
type Device interface {
	// Group starts the marks that belong to one fact, with its plain words;
	// it lasts until the next Group. Devices without tooltips ignore it.
	Group(about string)
	Polyline(pts []Point, pen Pen)
	Polygon(pts []Point, pen Pen, fill Fill)
	Circle(c Point, r float64, pen Pen, fill Fill)
	Text(at Point, s string, style TextStyle)
}

// Mark is one primitive of a laid-out figure: a [Polyline], [Polygon],
// [Circle] or [Text].
type Mark interface {
	// Draw plays the mark to a device.
	Draw(d Device)
}

// Polyline is an open chain of straight lines. A stepped path is a Polyline.
type Polyline struct {
	Points []Point
	Pen    Pen
}

// Polygon is a closed area: a rectangle, a diamond, a bar.
type Polygon struct {
	Points []Point
	Pen    Pen
	Fill   Fill
}

// Circle is a dot, open when filled with Paper.
type Circle struct {
	Center Point
	R      float64
	Pen    Pen
	Fill   Fill
}

// Text is a single line of words.
type Text struct {
	At    Point
	S     string
	Style TextStyle
}

// Draw plays the chain of lines to a device.
func (m Polyline) Draw(d Device) { d.Polyline(m.Points, m.Pen) }

// Draw plays the area to a device.
func (m Polygon) Draw(d Device) { d.Polygon(m.Points, m.Pen, m.Fill) }

// Draw plays the dot to a device.
func (m Circle) Draw(d Device) { d.Circle(m.Center, m.R, m.Pen, m.Fill) }

// Draw plays the words to a device.
func (m Text) Draw(d Device) { d.Text(m.At, m.S, m.Style) }

// Group is the marks that show one fact.
type Group struct {
	// About is the fact in words, shown when a pointer rests on the marks.
	About string
	Marks []Mark
	// Touch, when its radius is positive, widens the area that answers to a
	// pointer beyond the ink.
	Touch Circle
}

// Figure is a laid-out chart.
type Figure struct {
	// Width and Height are the size of the drawing in points.
	Width, Height float64
	// Text is the size of the labels in points.
	Text float64
	// Title names the figure; it is announced, not drawn.
	Title string
	// Desc says in words what the drawing shows; announced, not drawn.
	Desc string
	// Groups are the marks in painting order.
	Groups []Group

	table Table
}

// Table returns the facts of the figure for the table behind the chart.
func (f *Figure) Table() Table { return f.table }

// Draw plays the figure to a device in painting order.
func (f *Figure) Draw(d Device) {
	for _, g := range f.Groups {
		d.Group(g.About)
		for _, m := range g.Marks {
			m.Draw(d)
		}
	}
}

// add appends marks as one group.
func (f *Figure) add(about string, marks ...Mark) {
	f.Groups = append(f.Groups, Group{About: about, Marks: marks})
}

// Size is what a figure is laid out for.
type Size struct {
	// Width of the figure in points (CSS pixels on a page).
	Width float64
	// Text is the size of labels in points; every other length follows it.
	Text float64
}

// The sizes the project uses. A layout for any other width is possible.
var (
	Wide   = Size{Width: 760, Text: 14}  // a desk page
	Narrow = Size{Width: 340, Text: 14}  // a phone, from 320 px
	Print  = Size{Width: 482, Text: 8.5} // A4 between margins of 20 mm
)

// sane returns a size that can be drawn: a caller's mistake makes a default
// figure, never an endless or empty one.
func (s Size) sane() Size {
	if !(s.Text >= 4 && s.Text <= 100) {
		s.Text = Wide.Text
	}
	least := 18 * s.Text
	if !(s.Width >= least) {
		s.Width = least
	}
	if s.Width > 4000 || math.IsInf(s.Width, 0) {
		s.Width = 4000
	}
	return s
}

func line(x1, y1, x2, y2 float64, p Pen) Polyline {
	return Polyline{Points: []Point{{x1, y1}, {x2, y2}}, Pen: p}
}

func rect(x, y, w, h float64, p Pen, fill Fill) Polygon {
	return Polygon{Points: []Point{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}}, Pen: p, Fill: fill}
}

func diamond(c Point, r float64, p Pen, fill Fill) Polygon {
	return Polygon{Points: []Point{{c.X, c.Y - r}, {c.X + r, c.Y}, {c.X, c.Y + r}, {c.X - r, c.Y}}, Pen: p, Fill: fill}
}

// hatch returns 45-degree lines that fill a rectangle, cut at its edges so
// that no device needs a pattern or a clip.
func hatch(x, y, w, h, gap float64, p Pen) []Mark {
	var out []Mark
	if !(w > 0 && h > 0 && gap > 0) {
		return nil
	}
	for c := gap; c < w+h; c += gap {
		// The line x' + y' = c inside the rectangle, from its lower left.
		x1, y1 := c, 0.0
		if x1 > w {
			x1, y1 = w, c-w
		}
		x2, y2 := 0.0, c
		if y2 > h {
			x2, y2 = c-h, h
		}
		out = append(out, line(x+x1, y+y1, x+x2, y+y2, p))
	}
	return out
}
