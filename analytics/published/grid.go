package published

import (
	"fmt"
	"io/fs"
	"math"

	"fairlead/analytics/rate"
)

// gridFile is the table of count limits beside fixture 01: one row per count
// and level.
const gridFile = "data/01_poisson_limits.csv"

// gridTolerance is relative. The table holds 14 significant digits; its mid-P
// limits come from a root finder stopped at 1e-14.
const gridTolerance = 1e-8

// runGrid compares every row of the grid, if the folder has one, and returns
// how many rows there were and which differ.
func runGrid(dir fs.FS) (rows int, wrong []Outcome, err error) {
	if _, err := fs.Stat(dir, gridFile); err != nil {
		return 0, nil, nil
	}
	t, err := readTable(dir, gridFile)
	if err != nil {
		return 0, nil, fmt.Errorf("published: read %s: %w", gridFile, err)
	}
	columns := map[string][]float64{}
	for _, name := range []string{"count", "conf", "exact_lower", "exact_upper", "midp_lower", "midp_upper", "byar_lower", "byar_upper"} {
		if values, ok := t.Floats(name); ok {
			columns[name] = values
		}
	}
	if columns["count"] == nil || columns["conf"] == nil || len(columns) == 2 {
		return 0, []Outcome{{File: gridFile, Method: "grid", Problems: []string{"needs columns count and conf and limits to compare"}}}, nil
	}
	methods := map[string]func(int, float64) (float64, float64, error){
		"exact": rate.PoissonInterval, "midp": rate.MidPInterval, "byar": rate.ByarInterval,
	}
	for i := range t.Rows {
		count, level := int(columns["count"][i]), columns["conf"][i]
		o := Outcome{File: gridFile, ID: fmt.Sprintf("count %d at %g", count, level), Method: "grid"}
		for _, m := range []string{"exact", "midp", "byar"} {
			lo, hi, err := methods[m](count, level)
			if err != nil {
				o.Problems = append(o.Problems, err.Error())
				continue
			}
			for _, v := range []struct {
				name string
				got  float64
			}{{m + "_lower", lo}, {m + "_upper", hi}} {
				if columns[v.name] == nil {
					continue
				}
				if want := columns[v.name][i]; math.Abs(v.got-want) > gridTolerance*math.Abs(want)+nearZero {
					o.Problems = append(o.Problems, fmt.Sprintf("%s: got %.14g, want %.14g", v.name, v.got, want))
				}
			}
		}
		if len(o.Problems) > 0 {
			wrong = append(wrong, o)
		}
	}
	return len(t.Rows), wrong, nil
}
