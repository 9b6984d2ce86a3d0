package figure_test

import (
	"fmt"
	"math"
	"testing"

	"fairlead/analytics/figure"
)

// coalRun is a run chart of real events: coal-mining disasters in Great
// Britain by year, 1851 to 1962. The two levels are the published change
// point after 1891: 3.097561 and 0.901408 a year.
func coalRun(t testing.TB) figure.Control {
	d := readCSV(t, "coal_annual.csv")
	c := figure.Control{
		Title: "Coal-mining disasters in Great Britain, 1851 to 1962", Unit: "disasters with ten or more deaths, each year",
		CountName: "disasters", PeriodName: "year", CenterName: "average", Method: "run chart",
		Center: []figure.Level{{First: 0, Last: 40, Value: 3.097561}, {First: 41, Last: 111, Value: 0.901408}},
		Flags:  []figure.Flag{{At: 41, Number: 1, Note: "Change found after 1891."}},
	}
	for i, v := range d["disasters"] {
		y := fmt.Sprint(int(d["year"][i]))
		c.Points = append(c.Points, figure.Observation{Label: y, Tick: y, Value: v, Count: v})
	}
	return c
}

// workplaces is an invented interval chart with a row too small to say and a
// row whose interval leaves the figure.
func workplaces() figure.Intervals {
	return figure.Intervals{
		Title: "Lost-time injuries by workplace", Unit: "lost-time injuries per million hours, 12 months", RowName: "workplace",
		Reference: 12.2, HasReference: true, ReferenceName: "all workplaces",
		Rows: []figure.Estimate{
			{Label: "Northside depot", Value: 13.9, Lo: 3.8, Hi: 35.6, HasInterval: true, Facts: "4 in 288,000 hours"},
			{Label: "Quarry Road depot", Value: 7.3, Lo: 1.5, Hi: 21.3, HasInterval: true, Facts: "3 in 412,000 hours"},
			{Label: "Lakeside nursery", Value: 0, Lo: 0, Hi: 67.1, HasInterval: true, Facts: "0 in 55,000 hours"},
			{Label: "Transfer station", Value: 33.3, Lo: 4, Hi: 120.4, HasInterval: true, Facts: "2 in 60,000 hours"},
			{Label: "Workshop", Missing: true, Why: "no hours"},
			{Label: "All workplaces", Value: 12.2, Lo: 5.6, Hi: 23.2, HasInterval: true, Facts: "9 in 737,000 hours", Summary: true},
		},
	}
}

// ratios is an invented forest plot.
func ratios() figure.Intervals {
	return figure.Intervals{
		Title: "After the change, against before", Unit: "rate ratio, logarithmic axis", RowName: "depot",
		Reference: 1, HasReference: true, ReferenceName: "no difference", Log: true, Decimals: 2,
		Rows: []figure.Estimate{
			{Label: "Northside depot", Value: 0.62, Lo: 0.31, Hi: 1.20, HasInterval: true, Facts: "14 before, 9 after"},
			{Label: "Quarry Road depot", Value: 1.97, Lo: 0.86, Hi: 4.28, HasInterval: true, Facts: "11 before, 21 after"},
			{Label: "Lakeside nursery", Value: 0.35, Lo: 0, Hi: 4.4, HasInterval: true, Facts: "3 before, 1 after"},
			{Label: "Workshop", Value: 1.4, Lo: 0.02, Hi: math.Inf(1), HasInterval: true, Facts: "0 before, 1 after"},
			{Label: "Together", Value: 0.81, Lo: 0.52, Hi: 1.26, HasInterval: true, Summary: true},
		},
	}
}

func mechanisms() figure.Pareto {
	return figure.Pareto{
		Title: "Injuries by mechanism", Unit: "injuries", RowName: "mechanism", Unknown: 23, UnknownName: "not coded yet", Other: 12,
		Bars: []figure.Bar{
			{Label: "Muscular stress while handling objects", Count: 41}, {Label: "Falls on the same level", Count: 28},
			{Label: "Being hit by moving objects", Count: 22}, {Label: "Hitting stationary objects", Count: 9}, {Label: "Contact with hot objects", Count: 6},
		},
	}
}

// guarded is a Pareto chart in which small counts are withheld.
func guarded() figure.Pareto {
	return figure.Pareto{
		Title: "Injuries by agency, Lakeside nursery", Unit: "injuries", RowName: "agency",
		Bars: []figure.Bar{{Label: "Ladders", Count: 7}, {Label: "Hand tools", Count: 11}, {Label: "Chemicals", Count: 2, Hidden: true}},
	}
}

func crossTable() figure.Heat {
	n := func(v ...float64) []figure.HeatCell {
		var out []figure.HeatCell
		for _, x := range v {
			out = append(out, figure.HeatCell{Count: x, Hidden: x < 0})
		}
		return out
	}
	c := figure.Heat{
		Title: "Mechanism by agency", Unit: "injuries, 36 months", RowName: "mechanism", ColName: "agency",
		Rows:      []string{"Muscular stress", "Falls on the same level", "Being hit by moving objects", "Contact with chemicals"},
		Cols:      []string{"Mobile plant", "Hand tools", "Powered tools", "Outdoor ground", "Chemicals"},
		Cells:     [][]figure.HeatCell{n(14, 9, 6, 3, 0), n(4, -1, 0, 21, -1), n(11, -1, 17, 5, -1), n(0, 0, 0, 0, 8)},
		RowTotals: []float64{32, 27, 36, 8}, ColTotals: []float64{29, 12, 23, 29, 10}, Total: 103,
	}
	c.Cells[1][3].Marked, c.Cells[1][3].Note = true, "more than chance, allowing for 20 cells"
	return c
}

// wideTable has names that do not fit above its narrow columns.
func wideTable() figure.Heat {
	c := crossTable()
	c.Title, c.Unit = "Mechanism by control that failed", "investigations"
	c.Cols = []string{"Guard not fitted", "Guard bypassed", "Isolation not applied", "Spotter not there", "Traffic route unclear", "Housekeeping", "Training out of date", "Wrong tool for the job", "Communication at handover"}
	c.Cells, c.RowTotals, c.ColTotals, c.Total = nil, nil, nil, 0
	for i := range c.Rows {
		var row []figure.HeatCell
		for j := range c.Cols {
			row = append(row, figure.HeatCell{Count: float64((i*7 + j*5 + i*j) % 11)})
		}
		c.Cells = append(c.Cells, row)
	}
	return c
}

// sitesFunnel is an invented comparison with curves from the normal
// approximation, the usual picture: two sites beyond the outer curve.
func sitesFunnel() figure.Funnel {
	c := figure.Funnel{
		Title: "Workplaces compared", Unit: "injuries needing treatment per 10,000 hours", ExposureUnit: "hours worked in 36 months",
		CountName: "injuries", ExposureName: "hours", SiteName: "workplace",
	}
	names := []string{"Northside depot", "Nursery", "Quarry Road depot", "Workshop", "Waste crew", "Roads crew", "Drainage crew", "Tree crew", "Mowing crew", "Transfer station"}
	counts := []float64{14, 2, 41, 6, 9, 61, 9, 6, 33, 19}
	hours := []float64{62000, 8400, 104000, 19000, 122000, 176000, 24000, 41000, 91000, 54000}
	n, h := 0.0, 0.0
	for i := range counts {
		n, h = n+counts[i], h+hours[i]/1e4
	}
	c.Center = n / h
	for _, k := range []struct {
		name string
		z    float64
	}{{"95 %", 1.96}, {"99.8 %", 3.0902}} {
		cv := figure.Curve{Name: k.name}
		for x := 0.4; x <= 20; x += 0.2 {
			d := k.z * math.Sqrt(c.Center/x)
			cv.X = append(cv.X, x*1e4)
			cv.Upper = append(cv.Upper, c.Center+d)
			cv.Lower = append(cv.Lower, math.Max(0, c.Center-d))
		}
		c.Curves = append(c.Curves, cv)
	}
	for i, name := range names {
		v := counts[i] / hours[i] * 1e4
		out := math.Abs(v-c.Center) > 3.0902*math.Sqrt(c.Center/(hours[i]/1e4))
		c.Sites = append(c.Sites, figure.Site{Name: name, Count: counts[i], Exposure: hours[i], Value: v, Outside: out})
	}
	return c
}

// remission is a published survival figure: weeks in remission with 6-MP and
// with placebo; Freireich et al. 1963, Blood 21:699. Shares as in R
// survival::survfit.
func remission() figure.Survival {
	curve := func(name string, end float64, t, s []float64) figure.SurvivalCurve {
		c := figure.SurvivalCurve{Name: name, End: end}
		for i := range t {
			c.Steps = append(c.Steps, figure.SurvivalStep{Time: t[i], Share: s[i]})
		}
		return c
	}
	a := curve("6-MP", 35, []float64{6, 7, 10, 13, 16, 22, 23}, []float64{0.857142857142857, 0.80672268907563, 0.752941176470588, 0.690196078431372, 0.627450980392157, 0.53781512605042, 0.448179271708683})
	a.Censored = []float64{6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35}
	a.Waiting = []figure.Waiting{{Time: 0, N: 21}, {Time: 10, N: 15}, {Time: 20, N: 8}, {Time: 30, N: 4}}
	lo := []float64{0.71981708391627, 0.653124218462171, 0.585918982029694, 0.50961309910178, 0.439393924968767, 0.337036616157685, 0.24878822681766}
	hi := []float64{1, 0.996443675908659, 0.967574754552297, 0.934769195, 0.896, 0.8582, 0.8074}
	for i := range lo {
		a.Steps[i].Lo, a.Steps[i].Hi, a.Steps[i].HasInterval = lo[i], hi[i], true
	}
	b := curve("placebo", 23, []float64{1, 2, 3, 4, 5, 8, 11, 12, 15, 17, 22, 23}, []float64{0.904761904761905, 0.80952380952381, 0.761904761904762, 0.666666666666667, 0.571428571428571, 0.380952380952381, 0.285714285714286, 0.19047619047619, 0.142857142857143, 0.0952380952380952, 0.0476190476190476, 0})
	b.Waiting = []figure.Waiting{{Time: 0, N: 21}, {Time: 10, N: 8}, {Time: 20, N: 2}}
	return figure.Survival{Title: "Time in remission", Unit: "share still in remission", TimeUnit: "weeks", WaitingName: "still in remission", Curves: []figure.SurvivalCurve{a, b}}
}

// chipper is an invented investigation with every kind of node and link.
func chipper() figure.Causes {
	return figure.Causes{
		Title: "Hand caught at the chipper, Lakeside nursery",
		Nodes: []figure.Cause{
			{ID: "storm", Text: "A storm left twice the usual branches"},
			{ID: "hire", Text: "The hired chipper came without its spare guard"},
			{ID: "check", Text: "Plant check before use", Control: figure.Absent, Note: "said by two"},
			{ID: "guard", Text: "Guard on the infeed", Control: figure.Failed, Note: "seen"},
			{ID: "jam", Text: "The infeed jammed every few minutes", Note: "seen"},
			{ID: "hurry", Text: "The crew was asked to clear the path before school"},
			{ID: "reach", Text: "A worker reached in to clear the jam"},
			{ID: "stop", Text: "Stop bar", Control: figure.Held, Note: "seen"},
			{ID: "harm", Text: "Two fingers bruised", Outcome: true},
		},
		Links: []figure.Link{
			{From: "storm", To: "jam"}, {From: "hire", To: "guard"}, {From: "check", To: "guard", Contributing: true},
			{From: "jam", To: "reach"}, {From: "hurry", To: "reach", Contributing: true}, {From: "guard", To: "reach"},
			{From: "reach", To: "harm"}, {From: "stop", To: "harm", Contributing: true}, {From: "storm", To: "hurry", Contributing: true},
			{From: "check", To: "harm", Contributing: true},
		},
	}
}
