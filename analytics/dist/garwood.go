package dist

// GarwoodLower returns the exact lower limit for a Poisson mean after count
// cases: the mean at which count or more cases have probability tail. It is in
// cases; for zero cases it is exactly 0.
//
// count must be in [0, 1e9) and tail, the one-sided probability, in
// (0, 0.5]; otherwise the error wraps [ErrDomain].
//
// Garwood (1936), Biometrika 28:437-442.
func GarwoodLower(count int, tail float64) (float64, error) {
	if err := checkGarwood(count, tail); err != nil {
		return 0, err
	}
	if count == 0 {
		return 0, nil
	}
	return gammaLower(float64(count), tail), nil
}

// GarwoodUpper returns the exact upper limit for a Poisson mean after count
// cases: the mean at which count or fewer cases have probability tail. It is
// in cases; for zero cases it is -log(tail), which is 3.689 at tail 0.025.
//
// The domain is that of [GarwoodLower].
//
// Garwood (1936), Biometrika 28:437-442.
func GarwoodUpper(count int, tail float64) (float64, error) {
	if err := checkGarwood(count, tail); err != nil {
		return 0, err
	}
	return gammaUpper(float64(count)+1, tail), nil
}

func checkGarwood(count int, tail float64) error {
	if count < 0 || count >= MaxMean {
		return BadInt("dist: garwood limit", "count", count, "must be at least 0 and below 1e9 cases")
	}
	return CheckTail("dist: garwood limit", "tail", tail)
}
