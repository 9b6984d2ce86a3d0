package guard

import (
	"time"
)

// settling is how many months after the end of a year its counts by facts of
// persons are made, once and for all: by then most of what happened has been
// told and coded, and since nothing is made again, no count of today less that
// of yesterday tells what was recorded in between.
const settling = 3

// yearStart is the month in which such years begin: the financial year of
// Australian public bodies.
const yearStart = time.July

// Settled returns the moment whose record the counts of a year are made from; a
// year is named by the one in which it begins.
func Settled(year int) time.Time {
	return time.Date(year+1, yearStart+settling, 1, 0, 0, 0, 0, time.UTC)
}

// LastSettled returns the last year that had settled at a moment.
func LastSettled(at time.Time) int {
	y := at.UTC().Year()
	for at.Before(Settled(y)) {
		y--
	}
	return y
}

// YearDays returns the first day of a year and the day after its last one.
func YearDays(year int) (first, after time.Time) {
	return time.Date(year, yearStart, 1, 0, 0, 0, 0, time.UTC), time.Date(year+1, yearStart, 1, 0, 0, 0, 0, time.UTC)
}

// Years returns the years of a stretch from first to the day before after, if
// it is made of whole ones, and at most most; nil when it is not.
func Years(first, after time.Time, most int) (out []int) {
	if first.Month() != yearStart || after.Month() != yearStart || first.Day() != 1 || after.Day() != 1 || after.Year()-first.Year() > most {
		return nil
	}
	for y := first.Year(); y < after.Year(); y++ {
		out = append(out, y)
	}
	return out
}
