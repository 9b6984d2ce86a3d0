package compute

import (
	"fmt"

	"fairlead/analytics/cause"
	"fairlead/analytics/figure"
	"fairlead/analytics/rate"
)

func tableInput() Input {
	return Input{Name: "table", Type: WholeRows, About: "counts by row and column", Range: from(0, 1e7), Required: true, Longest: 10_000}
}

func headInputs() []Input {
	return []Input{
		{Name: "row_labels", Type: Texts, About: "name of each row", Longest: 1000}, {Name: "column_labels", Type: Texts, About: "name of each column", Longest: 1000},
	}
}

// tableOf reads a table and its heads, rectangular and of at least one cell.
func tableOf(in *inputs) (table [][]int, rows, columns []string, err error) {
	table = in.wholeRows("table")
	if len(table) == 0 || len(table[0]) == 0 {
		return nil, nil, nil, bad("table", "is empty: give at least one row with one count")
	}
	for i, r := range table {
		if len(r) != len(table[0]) {
			return nil, nil, nil, bad(fmt.Sprintf("table[%d]", i+1), "has %s, but table[1] has %s: give every row as many", entries(len(r)), entries(len(table[0])))
		}
	}
	heads := func(name string, n int) ([]string, error) {
		labels := in.texts(name)
		if labels != nil && len(labels) != n {
			return nil, bad(name, "has %s, but the table has %d: give one for each", entries(len(labels)), n)
		}
		if labels == nil {
			for i := range n {
				labels = append(labels, fmt.Sprint(i+1))
			}
		}
		return labels, nil
	}
	if rows, err = heads("row_labels", len(table)); err != nil {
		return nil, nil, nil, err
	}
	columns, err = heads("column_labels", len(table[0]))
	return table, rows, columns, err
}

// heatOf draws a table, unless it has too many cells to be read.
func heatOf(title string, table [][]int, rows, columns []string, marked func(i, j int) bool) Drawing {
	const most = 30
	if len(rows) > most || len(columns) > most {
		return nil
	}
	h := figure.Heat{Title: title, Unit: "reports", RowName: "row", ColName: "column", Rows: rows, Cols: columns, RowTotals: make([]float64, len(rows)), ColTotals: make([]float64, len(columns))}
	for i, r := range table {
		cells := make([]figure.HeatCell, len(r))
		for j, n := range r {
			cells[j] = figure.HeatCell{Count: float64(n)}
			if marked != nil && marked(i, j) {
				cells[j].Marked, cells[j].Note = true, "more than chance"
			}
			h.RowTotals[i], h.ColTotals[j], h.Total = h.RowTotals[i]+float64(n), h.ColTotals[j]+float64(n), h.Total+float64(n)
		}
		h.Cells = append(h.Cells, cells)
	}
	return h
}

// Drawing tables at random takes time in proportion to draws times reports.
const (
	mostDrawn  = 50_000_000
	leastDraws = 99
)

func tableTest() Method {
	return Method{
		Name: "table_test", Group: Causes, Also: []string{"chi_square", "fisher_rxc", "chi_square_rxc", "contingency_table"},
		Purpose: "Whether the rows of a table of counts have the same shares: chi-square and Fisher's exact test",
		Inputs: join([]Input{tableInput()}, headInputs(), []Input{
			{Name: "work", Type: Whole, About: "partial tables followed for the exact p-value before tables are drawn at random instead", Range: from(1, 2_000_000), Default: 500_000},
			{Name: "replicates", Type: Whole, About: "tables drawn at random where following them all is too much work", Range: from(99, 20_000), Default: 9999}, seedInput(),
		}),
		Outputs: []Output{
			{Name: "chi_square", About: "Pearson's statistic"}, {Name: "df", About: "degrees of freedom"}, {Name: "chi_square_p", About: "its p-value"}, {Name: "cramers_v", About: "strength, 0 to 1"}, {Name: "least_expected", About: "least count to be expected; below 5 prefer the exact test"},
			{Name: "residuals", About: "standardised residuals: beyond about 2 a cell stands out by itself"},
			{Name: "fisher_p", About: "chance of a table no more probable than the one seen, given the margins"}, {Name: "fisher_exact", About: "true when exact, false when simulated"}, {Name: "fisher_se", About: "standard error of a simulated one", Null: "it is exact, or was not worked out"},
			{Name: "fisher_draws", About: "tables drawn at random; 0 when exact. Fewer than asked for where there are many reports"},
			{Name: "reports", About: "reports counted"},
		},
		How:     "Rows and columns without reports are left out. The chi-square test is approximate; Fisher's is exact, by following partial tables, or simulated with the seed given where that is too much work.",
		Source:  "Pearson (1900), Philosophical Magazine 50:157-175; Haberman (1973), Biometrics 29:205-220; Freeman and Halton (1951), Biometrika 38:141-149; Mehta and Patel (1983), JASA 78:427-434",
		Example: `{"table": [[1, 3, 10, 6], [2, 3, 10, 7], [1, 6, 14, 12], [0, 1, 9, 11]], "row_labels": ["Northside", "Quarry Road", "Lakeside", "Workshop"], "column_labels": ["none", "first aid", "treatment", "lost time"]}`,
		named:   map[string]string{"max work": "work", "draws": "replicates"},
		run: func(in *inputs) (*answer, error) {
			a := newAnswer()
			table, rows, columns, err := tableOf(in)
			if err != nil {
				return nil, err
			}
			t, err := cause.ChiSquare(table)
			if err != nil {
				return nil, err
			}
			a.put("reports", t.N)
			a.draw = heatOf("Counts", table, rows, columns, nil)
			if !t.Defined {
				a.noneLeft(in.method, t.Reason)
				a.sentence = "Nothing can be tested: " + t.Reason + "."
				return a, nil
			}
			a.puts("chi_square", t.Statistic, "df", t.DF, "chi_square_p", t.PValue, "cramers_v", t.CramersV, "least_expected", t.MinExpected, "residuals", t.Residuals)
			p, which, err := fisherInto(in, table, t, a)
			if err != nil {
				return nil, err
			}
			word := "have the same shares, as far as chance lets one see"
			if p < surely {
				word = "differ in their shares by more than chance"
			}
			a.sentence = fmt.Sprintf("The %d rows %s (%s, %s; Cramér's V %s).", t.Rows, word, which, chance(p), num(t.CramersV))
			return a, nil
		},
	}
}

// fisherInto adds Fisher's test and returns the p-value to read, with the name of
// its test.
func fisherInto(in *inputs, table [][]int, t cause.TableTest, a *answer) (p float64, which string, err error) {
	names := []string{"fisher_p", "fisher_exact", "fisher_se", "fisher_draws"}
	if t.Rows == 2 && t.Cols == 2 && len(table) == 2 && len(table[0]) == 2 {
		s, err := cause.Associate(cause.Fourfold{Both: table[0][0], ExposureOnly: table[0][1], OutcomeOnly: table[1][0], Neither: table[1][1]}, 0)
		switch {
		case err != nil:
			return 0, "", err
		case s.Fisher.Exact:
			a.puts("fisher_p", s.Fisher.TwoSided, "fisher_exact", true, "fisher_se", nil, "fisher_draws", 0)
			return s.Fisher.TwoSided, "Fisher's exact test", nil
		}
	}
	draws := min(in.whole("replicates"), mostDrawn/max(1, t.N))
	if draws < leastDraws {
		a.none(fmt.Sprintf("the exact test is worked out for up to %s reports", num(mostDrawn/leastDraws)), names...)
		return t.PValue, "chi-square", nil
	}
	f, err := cause.FisherTable(table, cause.FisherOptions{MaxWork: in.whole("work"), Draws: draws, Seed: in.seed()})
	switch {
	case err != nil:
		return 0, "", err
	case !f.Defined:
		a.none(f.Reason, names...)
		return t.PValue, "chi-square", nil
	}
	a.puts("fisher_p", f.PValue, "fisher_exact", f.Exact, "fisher_se", some(f.SE, !f.Exact), "fisher_draws", f.Draws)
	if !f.Exact {
		a.note(fmt.Sprintf("Fisher's p-value is simulated: %s tables, seed %d, standard error %s.", num(float64(f.Draws)), in.seed(), num(f.SE)))
	}
	return f.PValue, f.Method, nil
}

// mostCrossWork bounds the terms summed for exact tests of all cells.
const mostCrossWork = 20_000_000

// crossWork is how many terms that takes: for each cell the smaller of its row
// and column.
func crossWork(table [][]int) int {
	rows, columns := make([]int, len(table)), make([]int, len(table[0]))
	for i, r := range table {
		for j, n := range r {
			rows[i], columns[j] = rows[i]+n, columns[j]+n
		}
	}
	work := 0
	for _, r := range rows {
		for _, c := range columns {
			work += min(r, c)
		}
	}
	return work
}

func crossTable() Method {
	return Method{
		Name: "cross_table", Group: Causes, Also: []string{"crosstab", "standing_out"},
		Purpose: "Which cells of a cross-table stand out, after allowing for every cell looked at",
		Inputs: join([]Input{tableInput()}, headInputs(), []Input{
			{Name: "missing", Type: Whole, About: "reports that lack row or column", Range: from(0, 1e7), Default: 0},
			{Name: "q", Type: Number, About: "share of false finds among finds, or chance of one, by correction", Range: above(0, 0.5), Default: 0.05},
			{Name: "least_count", Type: Whole, About: "fewest reports of a cell shown as a find", Range: from(1, 100_000), Default: 5}, correctionInput(),
		}),
		Outputs: []Output{
			{Name: "finds", About: "cells with more than chance: row, column, count, expected, lift, p_value, adjusted"}, {Name: "scarce", About: "cells with less than chance"},
			{Name: "expected", About: "count to be expected in each cell"}, {Name: "adjusted", About: "p-value of each cell, allowing for all", Null: "null where a cell could not be tested"},
			{Name: "tried", About: "cells tested"}, {Name: "known", About: "reports with both known"}, {Name: "missing_share", About: "share that lacks one of them", Null: "there are no reports"},
			{Name: "whole_p", About: "chi-square p-value of the table as a whole", Null: "fewer than two rows or columns have reports"},
		},
		How:     "Each cell is tested against all the rest by Fisher's exact test, corrected over all cells, shown or not.",
		Source:  "Fisher (1935), Journal of the Royal Statistical Society 98:39-82; Benjamini and Hochberg (1995), Journal of the Royal Statistical Society B 57:289-300",
		Example: `{"table": [[21, 3, 6], [5, 19, 7], [8, 6, 11]], "row_labels": ["slip or trip", "muscular stress", "hit by object"], "column_labels": ["ground", "load", "tool"], "missing": 9}`,
		named:   map[string]string{"least support": "least_count"},
		run: func(in *inputs) (*answer, error) {
			a := newAnswer()
			table, rows, columns, err := tableOf(in)
			if err != nil {
				return nil, err
			}
			if work := crossWork(table); work > mostCrossWork {
				return nil, bad("table", "has so many reports in so many cells that testing each exactly would take too long: hand in fewer cells, or a shorter stretch of time")
			}
			c, err := cause.CrossTab(table, in.whole("missing"), cause.SearchOptions{Q: in.number("q"), MinSupport: in.whole("least_count"), Correction: correctionOf(in.text("correction"))})
			if err != nil {
				return nil, err
			}
			finds, scarce, said := []map[string]any{}, []map[string]any{}, []string{}
			expected, adjusted := make([][]float64, len(rows)), make([][]any, len(rows))
			for i, r := range c.Cells {
				for j, x := range r {
					expected[i] = append(expected[i], x.Expected)
					adjusted[i] = append(adjusted[i], some(x.Adjusted, x.Tried))
					cell := map[string]any{"row": rows[i], "column": columns[j], "count": x.Count, "expected": x.Expected, "lift": x.Lift, "p_value": x.PValue, "adjusted": x.Adjusted}
					if x.Marked {
						finds = append(finds, cell)
						said = append(said, fmt.Sprintf("%s with %s (%d where %s would be by chance)", rows[i], columns[j], x.Count, num(x.Expected)))
					}
					if x.Scarce {
						scarce = append(scarce, cell)
					}
				}
			}
			a.puts("finds", finds, "scarce", scarce, "expected", expected, "adjusted", adjusted, "tried", c.Tried, "known", c.Known, "missing_share", some(c.MissingShare.Value, c.MissingShare.Defined), "whole_p", some(c.Whole.PValue, c.Whole.Defined))
			a.sentence = fmt.Sprintf("Of %s tried, none stands out by more than chance.", many(c.Tried, "cell", "cells"))
			if len(said) > 0 {
				a.sentence = fmt.Sprintf("Of %s tried, more than chance: %s.", many(c.Tried, "cell", "cells"), listed(said))
			}
			a.draw = heatOf("What stands out", table, rows, columns, func(i, j int) bool { return c.Cells[i][j].Marked })
			return a, nil
		},
	}
}

func adjustPValues() Method {
	return Method{
		Name: "adjust_p_values", Group: Causes, Also: []string{"benjamini_hochberg", "bonferroni", "holm", "multiple_testing"},
		Purpose: "P-values that allow for how many were looked at",
		Inputs: []Input{
			{Name: "p", Type: Numbers, About: "every p-value that was worked out, not only those worth showing", Range: from(0, 1), Required: true, Longest: 100_000},
			{Name: "q", Type: Number, About: "level at which finds are counted", Range: above(0, 0.5), Default: 0.05},
		},
		Outputs: []Output{
			{Name: "benjamini_hochberg", About: "adjusted: keeps the share of false finds down"}, {Name: "benjamini_yekutieli", About: "the same however the tests depend on each other"},
			{Name: "holm", About: "adjusted: keeps the chance of a single false find down"}, {Name: "bonferroni", About: "the same, simpler"},
			{Name: "finds", About: "number of finds at q by each"},
		},
		How:     "A find at level q is one whose adjusted value is at most q.",
		Source:  "Benjamini and Hochberg (1995), Journal of the Royal Statistical Society B 57:289-300; Benjamini and Yekutieli (2001), Annals of Statistics 29:1165-1188; Holm (1979), Scandinavian Journal of Statistics 6:65-70",
		Example: `{"p": [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.324]}`,
		run: func(in *inputs) (*answer, error) {
			a, p, q := newAnswer(), in.numbers("p"), in.number("q")
			finds := map[string]any{}
			for _, name := range correctionInput().Choices {
				adjusted, err := cause.Adjust(p, correctionOf(name))
				if err != nil {
					return nil, err
				}
				a.put(name, adjusted)
				finds[name] = cause.Finds(adjusted, q)
			}
			a.put("finds", finds)
			a.sentence = fmt.Sprintf("Of %s, %v are finds at %s by Benjamini-Hochberg, %v by Holm.", many(len(p), "p-value", "p-values"), finds["benjamini_hochberg"], num(q), finds["holm"])
			return a, nil
		},
	}
}

func tellingOrHappening() Method {
	return Method{
		Name: "telling_or_happening", Group: Causes, Also: []string{"willingness", "reporting_or_risk"},
		Purpose: "Whether more happened or more was told: hard events against reports that depend on telling",
		Inputs: join([]Input{
			countInput("before_hard", "before: events that get on record whether people tell or not"), countInput("before_soft", "before: reports that depend on somebody telling"), hoursInput("before_exposure", "exposure before"),
			countInput("after_hard", "after: events on record anyhow"), countInput("after_soft", "after: reports that depend on telling"), hoursInput("after_exposure", "exposure after"), levelInput(),
		}),
		Outputs: []Output{
			{Name: "reading", About: "what it says, in words"},
			{Name: "events_ratio", About: "hard events, after over before", Null: "no hard event before"}, {Name: "events_lower", About: "lower limit"}, {Name: "events_upper", About: "upper limit", Null: "no hard event before"}, {Name: "events_p", About: "p-value"},
			{Name: "reports_ratio", About: "all reports, after over before", Null: "no report before"}, {Name: "reports_p", About: "p-value"},
			{Name: "telling_ratio", About: "soft reports for each hard event, after over before", Null: "it has no upper bound"}, {Name: "telling_lower", About: "lower limit", Null: "it does not exist"}, {Name: "telling_upper", About: "upper limit", Null: "it does not exist"}, {Name: "telling_p", About: "p-value, exact"},
		},
		How:     "Risk is read from hard events alone, because soft reports rise with trust as well as with danger; telling from soft reports per hard event. It rests on hard events being on record alike in both periods.",
		Source:  "rate ratio: Przyborowski and Wilenski (1940), Biometrika 31:313-323; ratio of ratios: Fisher (1935), Journal of the Royal Statistical Society 98:39-82",
		Example: `{"before_hard": 14, "before_soft": 61, "before_exposure": 402000, "after_hard": 12, "after_soft": 118, "after_exposure": 411000}`,
		run:     runTelling,
	}
}

func runTelling(in *inputs) (*answer, error) {
	a := newAnswer()
	before := cause.Streams{Hard: in.whole("before_hard"), Soft: in.whole("before_soft"), Exposure: in.number("before_exposure")}
	after := cause.Streams{Hard: in.whole("after_hard"), Soft: in.whole("after_soft"), Exposure: in.number("after_exposure")}
	s, err := cause.SplitWillingness(before, after, in.number("level"))
	if err != nil {
		return nil, err
	}
	if !s.Defined {
		a.noneLeft(in.method, s.Reason)
		a.sentence = "Nothing can be said: " + s.Reason + "."
		return a, nil
	}
	a.puts("reading", string(s.Reading), "events_ratio", some(s.Events.Ratio, !s.Events.RatioOpen), "events_lower", s.Events.Lo, "events_upper", some(s.Events.Hi, !s.Events.HiOpen), "events_p", s.Events.PValue,
		"reports_ratio", some(s.Reports.Ratio, !s.Reports.RatioOpen), "reports_p", s.Reports.PValue,
		"telling_ratio", some(s.Telling.Value, !s.Telling.Open), "telling_lower", some(s.Telling.Lo, s.Telling.Bounded), "telling_upper", some(s.Telling.Hi, s.Telling.Bounded && !s.Telling.HiOpen), "telling_p", s.TellingP)
	a.sentence = fmt.Sprintf("%s hard events and %s told before, %s and %s after. %s.", num(float64(before.Hard)), num(float64(before.Soft)), num(float64(after.Hard)), num(float64(after.Soft)), upper(string(s.Reading)))
	a.draw = ratiosOf("Happening and telling, after over before", "ratio", "", in.number("level"), []figure.Estimate{
		ratioRow("hard events per hour", s.Events), ratioRow("all reports per hour", s.Reports), oddsRow("told for each hard event", s.Telling),
	})
	return a, nil
}

// ratioRow draws a ratio of rates.
func ratioRow(label string, c rate.Comparison) figure.Estimate {
	return oddsRow(label, cause.Odds{Value: c.Ratio, Open: c.RatioOpen, Lo: c.Lo, Hi: c.Hi, HiOpen: c.HiOpen, Bounded: c.Defined})
}
