package compute

import (
	"math"
	"slices"
)

func mean(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

func powers(x []float64, power float64) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = math.Pow(v, power)
	}
	return out
}

func contains(list []int, x int) bool { return slices.Contains(list, x) }
