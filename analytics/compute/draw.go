package compute

import (
	"math"
	"strconv"
	"strings"
	"time"

	"fairlead/analytics/cause"
	"fairlead/analytics/figure"
	"fairlead/analytics/spc"
)

// intervalsOf draws values with their intervals.
func intervalsOf(title, unit, row string, level float64, rows []figure.Estimate) figure.Intervals {
	return figure.Intervals{Title: title, Unit: unit, RowName: row, IntervalName: levelWord(level) + " interval", Rows: rows}
}

// ratiosOf draws ratios with their intervals around "no difference".
func ratiosOf(title, unit, row string, level float64, rows []figure.Estimate) figure.Intervals {
	f := intervalsOf(title, unit, row, level, rows)
	f.Log, f.Reference, f.HasReference, f.ReferenceName = true, 1, true, "no difference"
	return f
}

// controlOf draws a control chart.
func controlOf(c spc.Chart, w words) figure.Control {
	f := figure.Control{Title: "Control chart of " + w.more, CountName: w.more, PeriodName: w.period, CenterName: "average", Method: c.Method}
	switch c.Kind {
	case spc.U, spc.LaneyU:
		f.Unit, f.ExposureName = w.more+" per "+perBase(c.Base, w.unit), w.unit
	case spc.P, spc.LaneyP:
		f.Unit, f.ExposureName = "share of "+w.more, "examined"
	case spc.G, spc.T:
		f.Title, f.Unit, f.CountName, f.PeriodName = "Between "+w.more, w.unit+" between "+w.more, "", w.one
		if c.Limits == spc.Probability {
			f.CenterName = "middle"
		}
	case spc.IMR:
		f.Title, f.Unit, f.CountName, f.PeriodName = "Chart of single values", w.unit, "", "value"
	case spc.XEwma:
		f.Unit, f.CenterName = "moving average of "+w.more, "mean"
		if c.Base > 1 {
			f.Unit += " per " + perBase(c.Base, w.unit)
		}
	default:
		f.Unit = w.more + " a " + w.period
	}
	counted := f.CountName != ""
	for _, p := range c.Points {
		o := observation(p.Label)
		o.Value, o.Missing, o.Why, o.Beyond = p.Value, p.Missing, p.Why, !p.Missing && p.Beyond != spc.Within
		o.LCL, o.HasLCL, o.UCL, o.HasUCL = p.LCL, p.HasLCL && !p.Missing, p.UCL, p.HasUCL && !p.Missing
		if counted {
			o.Count = float64(p.Count)
		}
		if f.ExposureName != "" {
			o.Exposure = p.Exposure
		}
		switch {
		case !o.Beyond:
		case c.Kind == spc.XEwma:
			o.Note = "average " + num(p.Value)
		case !counted:
			o.Note = num(p.Value)
		}
		f.Points = append(f.Points, o)
	}
	for i, ph := range c.Phases {
		if !ph.Defined {
			continue
		}
		center := ph.Center
		if !c.Points[ph.First].Missing && c.Kind != spc.U && c.Kind != spc.LaneyU {
			center = c.Points[ph.First].Center // np plots numbers, its centre is a share
		}
		f.Center = append(f.Center, figure.Level{First: ph.First, Last: ph.Last, Value: center})
		if i > 0 {
			f.Flags = append(f.Flags, figure.Flag{At: ph.First, Number: i, Note: ph.Note})
		}
	}
	if n := len(c.Phases); n > 0 && c.Phases[n-1].Defined && !c.Phases[n-1].Given {
		f.Baseline = &figure.Baseline{First: c.Phases[n-1].BaselineFirst, Last: c.Phases[n-1].BaselineLast}
	}
	for _, s := range c.Signals {
		if len(s.Points) > 1 {
			f.Runs = append(f.Runs, figure.Run{First: s.Points[0], Last: s.Points[len(s.Points)-1]})
		}
	}
	return f
}

// observation starts a point of a drawing from its label; a month is written as
// one.
func observation(label string) figure.Observation {
	o := figure.Observation{Label: label, Tick: label}
	if t, err := time.Parse("2006-01", label); err == nil {
		o.Label, o.Tick, o.Group = figure.MonthLabel(t.Year(), t.Month())
		return o
	}
	// "month 7" is written as 7 below the axis.
	if i := strings.LastIndexByte(label, ' '); i >= 0 && i+1 < len(label) {
		if _, err := strconv.Atoi(label[i+1:]); err == nil {
			o.Tick = label[i+1:]
		}
	}
	return o
}

// oddsRow draws an odds ratio.
func oddsRow(label string, o cause.Odds) figure.Estimate {
	row := figure.Estimate{Label: label, Value: o.Value, Lo: o.Lo, Hi: o.Hi, HasInterval: o.Bounded, Missing: o.Open, Why: "no upper bound"}
	if o.HiOpen {
		row.Hi = math.Inf(1)
	}
	return row
}
