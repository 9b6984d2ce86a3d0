package facts

import (
	"bytes"
	"cmp"
	"slices"
)

// order keeps rows from the oldest event to the newest. Most reports come in
// about the order of their events and are appended to main; those that come
// late go to the much shorter late list, which is merged into main when it has
// grown to an eighth of it. An import in any order so costs each row a few
// moves and never a shift of the whole list.
type order struct {
	main, late []uint32
}

// compare says which of two rows comes first.
type compare func(a, b uint32) int

// lateLeast is how long the late list may always be.
const lateLeast = 4096

// newer orders rows by event, and equal ones by their id.
func (c *columns) newer(a, b uint32) int {
	if d := cmp.Compare(c.when[a], c.when[b]); d != 0 {
		return d
	}
	return bytes.Compare(c.id[a][:], c.id[b][:])
}

// add puts rows that are not in the order into it. It sorts rows.
func (o *order) add(rows []uint32, by compare) {
	slices.SortFunc(rows, by)
	n := 0
	if len(o.main) > 0 {
		last := o.main[len(o.main)-1]
		n, _ = slices.BinarySearchFunc(rows, last, by)
	}
	o.main = append(o.main, rows[n:]...)
	if n == 0 {
		return
	}
	o.late = merge(o.late, rows[:n], by)
	if len(o.late) > max(lateLeast, len(o.main)/8) {
		o.main, o.late = merge(o.main, o.late, by), nil
	}
}

// merge merges two sorted lists. It uses the space of a where it can.
func merge(a, b []uint32, by compare) []uint32 {
	i, j := len(a)-1, len(b)-1
	a = append(a, b...)
	for k := len(a) - 1; j >= 0; k-- {
		if i >= 0 && by(a[i], b[j]) > 0 {
			a[k] = a[i]
			i--
		} else {
			a[k] = b[j]
			j--
		}
	}
	return a
}

// remove takes a row out, by the key it was added under.
func (o *order) remove(r uint32, by compare) {
	for _, list := range []*[]uint32{&o.late, &o.main} {
		if i, ok := slices.BinarySearchFunc(*list, r, by); ok {
			*list = slices.Delete(*list, i, i+1)
			return
		}
	}
}

// newestFirst yields the rows that keep accepts, newest first, starting with the
// first for which before is true (nil: the newest), until yield returns false.
func (o *order) newestFirst(by compare, before func(uint32) bool, keep func(uint32) bool, yield func(uint32) bool) {
	i, j := len(o.main), len(o.late)
	if before != nil {
		i = startOf(o.main, before)
		j = startOf(o.late, before)
	}
	next := func(list []uint32, k int) int {
		for k--; k >= 0 && !keep(list[k]); k-- {
		}
		return k
	}
	i, j = next(o.main, i), next(o.late, j)
	for i >= 0 || j >= 0 {
		var r uint32
		if j < 0 || i >= 0 && by(o.main[i], o.late[j]) > 0 {
			r, i = o.main[i], next(o.main, i)
		} else {
			r, j = o.late[j], next(o.late, j)
		}
		if !yield(r) {
			return
		}
	}
}

// startOf returns the length of the part of a list whose rows are before.
func startOf(list []uint32, before func(uint32) bool) int {
	n, _ := slices.BinarySearchFunc(list, true, func(r uint32, _ bool) int {
		if before(r) {
			return -1
		}
		return 1
	})
	return n
}
