package dist

// ChiSquareTail returns P(X >= x) for X chi-square distributed with df degrees
// of freedom, computed on its own side. df must be in (0, 2e9] and x at least 0
// and finite; otherwise the error wraps [ErrDomain].
func ChiSquareTail(x, df float64) (float64, error) {
	const op = "dist: chi-square tail"
	if !(df > 0 && df <= 2*MaxMean) {
		return 0, BadFloat(op, "df", df, "must be above 0")
	}
	if !(x >= 0 && finite(x)) {
		return 0, BadFloat(op, "x", x, "must be at least 0 and finite")
	}
	return gammaQ(df/2, x/2), nil
}
