package compute

// inputs are checked inputs by name. Reading one that a method does not declare,
// or by another type, is a mistake of the method and panics.
type inputs struct {
	method Method
	values map[string]any // float64, int, string, bool, and lists of them
	known  map[string][]bool
}

func (in *inputs) has(name string) bool { _, ok := in.values[name]; return ok }

func (in *inputs) number(name string) float64 {
	if v, ok := in.values[name]; ok {
		return v.(float64)
	}
	return 0
}

func (in *inputs) whole(name string) int {
	if v, ok := in.values[name]; ok {
		return v.(int)
	}
	return 0
}

func (in *inputs) text(name string) string {
	if v, ok := in.values[name]; ok {
		return v.(string)
	}
	return ""
}

func (in *inputs) yes(name string) bool {
	if v, ok := in.values[name]; ok {
		return v.(bool)
	}
	return false
}

// numbers returns a list; entries not known are 0.
func (in *inputs) numbers(name string) []float64 {
	if v, ok := in.values[name]; ok {
		return v.([]float64)
	}
	return nil
}

// wholes returns a list; entries not known are 0.
func (in *inputs) wholes(name string) []int {
	if v, ok := in.values[name]; ok {
		return v.([]int)
	}
	return nil
}

// texts returns a list; entries not known are empty.
func (in *inputs) texts(name string) []string {
	if v, ok := in.values[name]; ok {
		return v.([]string)
	}
	return nil
}

func (in *inputs) yeses(name string) []bool {
	if v, ok := in.values[name]; ok {
		return v.([]bool)
	}
	return nil
}

func (in *inputs) numberRows(name string) [][]float64 {
	if v, ok := in.values[name]; ok {
		return v.([][]float64)
	}
	return nil
}

func (in *inputs) wholeRows(name string) [][]int {
	if v, ok := in.values[name]; ok {
		return v.([][]int)
	}
	return nil
}

func (in *inputs) textRows(name string) [][]string {
	if v, ok := in.values[name]; ok {
		return v.([][]string)
	}
	return nil
}

// numbersBy and textsBy return lists by name and the names in order.
func (in *inputs) numbersBy(name string) (names []string, lists map[string][]float64) {
	if v, ok := in.values[name]; ok {
		lists = v.(map[string][]float64)
	}
	return sorted(lists), lists
}

func (in *inputs) textsBy(name string) (names []string, lists map[string][]string) {
	if v, ok := in.values[name]; ok {
		lists = v.(map[string][]string)
	}
	return sorted(lists), lists
}

// knows reports whether entry i of a list is known. A list that was not given
// is not known anywhere.
func (in *inputs) knows(name string, i int) bool {
	k, ok := in.known[name]
	return ok && i < len(k) && k[i]
}

// seed returns the seed of a method that draws at random.
func (in *inputs) seed() uint64 { return uint64(in.whole("seed")) }
