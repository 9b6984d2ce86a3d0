package figure

import "strings"

// Vertical measures of the typeface in em, from its OS/2 and hhea tables.
const (
	capHeight = 0.668
	xHeight   = 0.496
	descent   = 0.22 // of p, g, y as drawn; the table's own value includes line gap
	lineStep  = 1.24 // between baselines of a label of several lines
	slack     = 1e-6 // points; a column as wide as its widest text holds it
)

// TextWidth returns the width of s in points, from the advance widths of the
// typeface. Kerning is left out, so the true width is rarely more. A rune the
// typeface lacks counts one em, as wide as a substitute is likely to be.
func TextWidth(s string, size float64, w Weight) float64 {
	sum := 0
	for _, r := range s {
		a, ok := advance[r]
		switch {
		case !ok:
			sum += unitsPerEm
		case w == Bold:
			sum += int(a[1])
		default:
			sum += int(a[0])
		}
	}
	return float64(sum) * size / unitsPerEm
}

// fit shortens s to at most width points, ending in an ellipsis when cut.
func fit(s string, size float64, w Weight, width float64) string {
	if TextWidth(s, size, w) <= width+slack {
		return s
	}
	r := []rune(s)
	for n := len(r) - 1; n > 0; n-- {
		t := strings.TrimRight(string(r[:n]), " ,;:–-") + "…"
		if TextWidth(t, size, w) <= width {
			return t
		}
	}
	return "…"
}

// wrap breaks s at spaces into at most lines lines no wider than width; what
// does not fit is cut with an ellipsis at the end.
func wrap(s string, size float64, w Weight, width float64, lines int) []string {
	words := strings.Fields(s)
	var out []string
	for i := 0; i < len(words); {
		if len(out) == lines-1 {
			return append(out, fit(strings.Join(words[i:], " "), size, w, width))
		}
		l := words[i]
		i++
		for i < len(words) && TextWidth(l+" "+words[i], size, w) <= width+slack {
			l += " " + words[i]
			i++
		}
		out = append(out, fit(l, size, w, width))
	}
	return out
}

// widest returns the width of the widest of the texts.
func widest(texts []string, size float64, w Weight) float64 {
	max := 0.0
	for _, t := range texts {
		max = maxf(max, TextWidth(t, size, w))
	}
	return max
}

func maxf(a, b float64) float64 {
	if a > b {
		return a
	}
	return b
}

func minf(a, b float64) float64 {
	if a < b {
		return a
	}
	return b
}
