package figure_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"fairlead/analytics/figure"

	"github.com/stretchr/testify/require"
)

// readCSV returns the columns of a file in testdata as numbers.
func readCSV(t testing.TB, name string) map[string][]float64 {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	out := map[string][]float64{}
	for _, row := range rows[1:] {
		for i, cell := range row {
			v, err := strconv.ParseFloat(cell, 64)
			require.NoError(t, err)
			out[rows[0][i]] = append(out[rows[0][i]], v)
		}
	}
	return out
}

// circuitBoards is a published c chart: nonconformities in 46 samples of 100
// printed circuit boards, Montgomery, Introduction to Statistical Quality
// Control; data as in R qcc::circuit. The limits are those of the first 26
// samples: 19.84615, 6.481447, 33.210861, beyond them samples 6 and 20.
func circuitBoards(t testing.TB) figure.Control {
	d := readCSV(t, "circuit.csv")
	c := figure.Control{
		Title: "Faults in printed circuit boards", Unit: "nonconformities in 100 boards", CountName: "nonconformities",
		PeriodName: "sample", Method: "c chart, three-sigma limits",
		Center:   []figure.Level{{First: 0, Last: 45, Value: 19.84615}},
		Baseline: &figure.Baseline{First: 0, Last: 25, Text: "baseline: samples 1 to 26"},
	}
	for i, v := range d["count"] {
		c.Points = append(c.Points, figure.Observation{
			Label: fmt.Sprintf("sample %d", i+1), Tick: strconv.Itoa(i + 1), Value: v, Count: v,
			LCL: 6.481447, UCL: 33.210861, HasLCL: true, HasUCL: true, Beyond: v < 6.481447 || v > 33.210861,
		})
	}
	return c
}

// depot is an invented series with everything a chart can show at once: hours
// that vary, a month without hours, provisional months, a point beyond, a run,
// two flags and a baseline.
func depot() figure.Control {
	counts := []float64{3, 1, 4, 2, 5, 3, 2, 3, 6, 0, 3, 4, 2, 3, 5, 3, 10, 4, 2, 3, 4, 2, 3, 2, 5, 1, 1, 2, 0, 1, 1, 2, 0, 1, 1, 2}
	season := []float64{33200, 31800, 34400, 32100, 33000, 30900, 31200, 34000, 33800, 32500, 31000, 24000}
	c := figure.Control{
		Title: "Injuries needing treatment, outdoor works", Unit: "injuries needing treatment per 10,000 hours",
		CountName: "injuries", ExposureName: "hours", PeriodName: "month", Method: "u chart, three-sigma limits",
		Baseline: &figure.Baseline{First: 0, Last: 23},
		Runs:     []figure.Run{{First: 25, Last: 35}},
		Flags: []figure.Flag{
			{At: 12, Number: 1, Note: "Labour hire hours are counted from here."},
			{At: 24, Number: 2, Note: "Guards fitted to the chippers."},
		},
	}
	const missing = 9
	events, hours := 0.0, 0.0
	for i := 0; i < 24; i++ {
		if i != missing {
			events += counts[i]
			hours += season[i%12] / 1e4
		}
	}
	u := events / hours
	c.Center = []figure.Level{{First: 0, Last: 35, Value: u}}
	for i, n := range counts {
		var o figure.Observation
		o.Label, o.Tick, o.Group = figure.MonthLabel(2023+(i+3)/12, time.Month((i+3)%12+1))
		if i == missing {
			o.Missing = true
			c.Points = append(c.Points, o)
			continue
		}
		h := season[i%12] / 1e4
		o.Count, o.Exposure, o.Value = n, season[i%12], n/h
		o.UCL, o.HasUCL = u+3*math.Sqrt(u/h), true
		o.Beyond = o.Value > o.UCL
		o.Provisional = i > 33
		c.Points = append(c.Points, o)
	}
	return c
}
