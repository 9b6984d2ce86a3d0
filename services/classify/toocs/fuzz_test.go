package toocs

import (
	"errors"
	"testing"
	"unicode/utf8"
)

// FuzzResolve: never a panic, never a code that may not be assigned, and a
// refusal that names only codes that may.
func FuzzResolve(f *testing.F) {
	for _, s := range []string{"01", "1", " 6 3 6 9 ", "B", "f1", "89", "4900", "28 Being hit by moving objects", "hit by falling branch", "\u00a028", "٢٨", "-1", "1e3", "\xff28", "İ1"} {
		for i := range Facets() {
			f.Add(i, s)
		}
	}
	f.Fuzz(func(t *testing.T, n int, text string) {
		facet := Facet(text)
		if n >= 0 && n < len(Facets()) {
			facet = Facets()[n]
		}
		c, err := Default().Resolve(facet, text)
		if err == nil {
			if !Default().Assignable(facet, c.Code) || c.List != facet.List() {
				t.Fatalf("Resolve(%s, %q) = %v, which may not be assigned", facet, text, c)
			}
			again, err := Default().Resolve(facet, c.Code)
			if err != nil || again != c {
				t.Fatalf("%v does not resolve to itself: %v, %v", c, again, err)
			}
			return
		}
		refusal, ok := errors.AsType[*Refusal](err)
		if !ok || err.Error() == "" {
			t.Fatalf("Resolve(%s, %q) = %v, which is not a refusal", facet, text, err)
		}
		for _, near := range refusal.Nearest {
			if !Default().Assignable(facet, near.Code) {
				t.Fatalf("Resolve(%s, %q) offers %v", facet, text, near)
			}
		}
		if len(refusal.Given) > longestCode {
			t.Fatalf("the refusal keeps %q", refusal.Given)
		}
	})
}

// FuzzLookUp: never a panic, never a code that may not be assigned, never
// more than asked for.
func FuzzLookUp(f *testing.F) {
	for _, s := range []string{"hit by falling branch", "slippped on wet flor", "fell 6' off a ladder. He broke his leg!", "_ <thing> #length #", "\xff\xfe", "chain  saw", "..;;??", "İstanbul ﬁre 火"} {
		for i := range Facets() {
			f.Add(i, s, 3)
		}
	}
	f.Fuzz(func(t *testing.T, n int, words string, limit int) {
		facet := Facet("")
		if n >= 0 && n < len(Facets()) {
			facet = Facets()[n]
		}
		matches := Default().LookUp(facet, words, limit)
		if len(matches) > maxLimit || limit > 0 && len(matches) > limit {
			t.Fatalf("%d matches for limit %d", len(matches), limit)
		}
		for _, m := range matches {
			if !Default().Assignable(facet, m.Code.Code) || !(m.Score > 0) || !utf8.ValidString(m.Because) {
				t.Fatalf("LookUp(%s, %q) gives %v", facet, words, m)
			}
		}
	})
}

// FuzzCrosswalk: only codes of the tables come out of it.
func FuzzCrosswalk(f *testing.F) {
	f.Add("4332")
	f.Add("9999")
	f.Add("cave-in")
	f.Fuzz(func(t *testing.T, s string) {
		x := DefaultCrosswalk()
		check := func(facet Facet, c Crossing, ok bool) {
			for _, code := range c.Codes() {
				if ok && !Default().Assignable(facet, code.Code) {
					t.Fatalf("%q leads to %v", s, code)
				}
			}
		}
		c, ok := x.Mechanism(s)
		check(MechanismFacet, c, ok)
		c, ok = x.Nature(s)
		check(NatureFacet, c, ok)
		c, ok = x.Keyword(PartKeyword, s)
		check(BodilyLocationFacet, c, ok)
	})
}
