package rate

import (
	"math"
	"math/big"
	"strconv"
	"strings"

	"fairlead/analytics/dist"
)

// Decimal returns numerator * base / denominator with the given number of
// decimals, rounded once from the exact fraction, halves away from zero. A rate
// that becomes a float64 before it is rounded can come out one unit low: 201
// cases in 200 units are 1.005, but the nearest float64 prints as 1.00.
//
// denominator must be above 0, decimals in [0, 15], and all arguments finite;
// otherwise the error wraps [dist.ErrDomain].
func Decimal(numerator, base, denominator float64, decimals int) (string, error) {
	const op = "rate: decimal"
	for _, a := range []struct {
		name string
		v    float64
	}{{"numerator", numerator}, {"base", base}, {"denominator", denominator}} {
		if math.IsNaN(a.v) || math.IsInf(a.v, 0) {
			return "", dist.BadFloat(op, a.name, a.v, "must be finite")
		}
	}
	if denominator <= 0 {
		return "", dist.BadFloat(op, "denominator", denominator, "must be above 0")
	}
	if decimals < 0 || decimals > 15 {
		return "", dist.BadInt(op, "decimals", decimals, "must be at least 0 and at most 15")
	}
	// The shortest decimal that reads back as the float64 is what was typed in:
	// 0.1 hours are a tenth of an hour, not its binary neighbour.
	r := typed(numerator)
	r.Mul(r, typed(base)).Quo(r, typed(denominator))
	s := r.FloatString(decimals)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s, nil
}

func typed(x float64) *big.Rat {
	r, ok := new(big.Rat).SetString(strconv.FormatFloat(x, 'g', -1, 64))
	if !ok {
		return new(big.Rat)
	}
	return r
}
