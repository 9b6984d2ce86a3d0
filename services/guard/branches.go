package guard

// Branches says of which places of a tree a sum over persons, such as the days
// that they lost, may be told besides that of the whole. parent leads to the
// place above, -1 for the only one that has none, and stands before its children;
// direct is how many persons the sum is over at that very place.
//
// Of all that is told, what is left of a place when those told below it are taken
// away is over nobody or over at least smallest persons. Whatever is added up or
// subtracted is then made of such rests, and none of them is of few.
func Branches(parent []int, direct []int64, smallest int64) []bool {
	n := len(parent)
	all := append([]int64(nil), direct...)
	below := make([][]int, n)
	for p := n - 1; p > 0; p-- {
		all[parent[p]] += all[p]
		below[parent[p]] = append(below[parent[p]], p)
	}
	told := make([]bool, n)
	for p := range n {
		if p == 0 {
			told[p] = true
		}
		if !told[p] {
			continue // nor is anything below it, from which it would follow
		}
		rest := direct[p]
		for _, c := range below[p] {
			if told[c] = all[c] == 0 || all[c] >= smallest; !told[c] {
				rest += all[c]
			}
		}
		for rest > 0 && rest < smallest {
			least := -1
			for _, c := range below[p] {
				if told[c] && all[c] > 0 && (least < 0 || all[c] < all[least]) {
					least = c
				}
			}
			if least < 0 {
				break // nothing below is told, so the rest is the place itself
			}
			told[least], rest = false, rest+all[least]
		}
	}
	return told
}
