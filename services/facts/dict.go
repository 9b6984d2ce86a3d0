package facts

import "fmt"

// dict gives each text a small number, in order of first sight. Number 0 is the
// empty text: no value.
type dict[N uint16 | uint32] struct {
	numbers map[string]N
	texts   []string
}

func newDict[N uint16 | uint32]() dict[N] {
	return dict[N]{numbers: map[string]N{"": 0}, texts: []string{""}}
}

// number returns the number of a text, giving it one if it is new.
func (d *dict[N]) number(text string) (N, error) {
	if n, ok := d.numbers[text]; ok {
		return n, nil
	}
	n := N(len(d.texts))
	if int(n) != len(d.texts) {
		return 0, fmt.Errorf("facts: more than %d different values in one column", len(d.texts)-1)
	}
	d.numbers[text] = n
	d.texts = append(d.texts, text)
	return n, nil
}

func (d *dict[N]) find(text string) (N, bool) { n, ok := d.numbers[text]; return n, ok }
func (d *dict[N]) text(n N) string            { return d.texts[n] }
func (d *dict[N]) size() int                  { return len(d.texts) }
