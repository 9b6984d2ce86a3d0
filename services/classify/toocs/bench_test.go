package toocs

import "testing"

const benchNarrative = "An employee was pruning a row of trees beside the road from an elevated work platform. " +
	"A branch about four metres long was cut, swung on its rope and struck the employee on the left shoulder. " +
	"He was lowered by a coworker, who had seen the branch come loose, and was taken to hospital with a broken collarbone."

func BenchmarkLookUp_phrase(b *testing.B) {
	Default()
	for b.Loop() {
		Default().LookUp(MechanismFacet, "hit by falling branch", 5)
	}
}

func BenchmarkLookUp_agencyPhrase(b *testing.B) {
	Default()
	for b.Loop() {
		Default().LookUp(AgencyFacet, "ride on mower", 5)
	}
}

func BenchmarkLookUp_misspelt(b *testing.B) {
	Default()
	for b.Loop() {
		Default().LookUp(MechanismFacet, "slippped on wett flor beside chansaw", 5)
	}
}

func BenchmarkLookUp_narrative(b *testing.B) {
	Default()
	b.SetBytes(int64(len(benchNarrative)))
	for b.Loop() {
		Default().LookUp(MechanismFacet, benchNarrative, 5)
	}
}

func BenchmarkResolve(b *testing.B) {
	Default()
	for b.Loop() {
		_, _ = Default().Resolve(AgencyFacet, "6369")
	}
}

func BenchmarkResolve_refused(b *testing.B) {
	Default()
	for b.Loop() {
		_, _ = Default().Resolve(AgencyFacet, "4116")
	}
}

func BenchmarkLoad(b *testing.B) {
	for b.Loop() {
		if _, err := Load(dir("toocs31")); err != nil {
			b.Fatal(err)
		}
	}
}
