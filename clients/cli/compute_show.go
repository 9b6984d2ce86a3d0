package cli

import (
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"fairlead/analytics/compute"
	"fairlead/analytics/figure"
	"fairlead/clients/cli/page"
)

const (
	// mostRows is how many rows of a series are printed; --json has them all.
	mostRows = 60
	// mostInline is how many entries of a list stand on one line.
	mostInline = 12
)

// showComputed prints an answer: the sentence, then the numbers, then how they
// came about.
func showComputed(p *page.Page, m compute.Method, r compute.Result, labels []any) {
	p.Strong(r.Sentence)
	series := seriesOf(m, r)
	var rows [][]string
	var tables []compute.Output
	none, reasons := map[string][]string{}, []string{} // outputs without a value, by why
	for _, o := range m.Outputs {
		v := r.Outputs[o.Name]
		switch {
		case slices.Contains(series, o.Name):
		case isObjects(v) || isRows(v):
			tables = append(tables, o)
		case v == nil:
			why := r.Absent[o.Name]
			if len(none[why]) == 0 {
				reasons = append(reasons, why)
			}
			none[why] = append(none[why], o.Name)
		default:
			rows = append(rows, []string{o.Name, inline(v), o.About})
		}
	}
	if len(rows) > 0 {
		p.Blank()
		p.Table([]page.Column{{Head: "figure"}, {Head: "value", Right: !longValues(rows)}, {Head: "what it is"}}, rows)
	}
	for _, why := range reasons {
		p.Item("no " + strings.Join(none[why], ", ") + ": " + why)
	}
	showSeries(p, r, series, labels)
	for _, o := range tables {
		showObjects(p, o, r.Outputs[o.Name])
	}
	if len(r.Notes) > 0 {
		p.Heading("Read with it")
		for _, n := range r.Notes {
			p.Item(n)
		}
	}
	p.Blank()
	p.Para("How: "+r.How, 0)
	p.Para("Source: "+sentence(r.Source), 0)
	if used := settings(m, r); used != "" {
		p.Para("With: "+used+".", 0)
	}
}

// longValues reports whether any value is so long that a column of numbers would
// push it off the page.
func longValues(rows [][]string) bool {
	const long = 24
	return slices.ContainsFunc(rows, func(r []string) bool { return len(r[1]) > long })
}

// settings lists the single inputs as used.
func settings(m compute.Method, r compute.Result) string {
	var parts []string
	for _, i := range m.Inputs {
		if v, ok := r.Settings[i.Name]; ok {
			parts = append(parts, i.Name+" "+inline(v))
		}
	}
	return strings.Join(parts, ", ")
}

// seriesOf returns the outputs that are lists of single values of the same
// length as most others, so that they read side by side.
func seriesOf(m compute.Method, r compute.Result) []string {
	byLength := map[int][]string{}
	for _, o := range m.Outputs {
		if l, ok := r.Outputs[o.Name].([]any); ok && len(l) > 1 && !isObjects(l) && !isRows(l) {
			byLength[len(l)] = append(byLength[len(l)], o.Name)
		}
	}
	var best []string
	for _, n := range slices.Sorted(maps.Keys(byLength)) {
		if names := byLength[n]; len(names) > 1 && len(names) >= len(best) {
			best = names
		}
	}
	return best
}

// showSeries prints lists side by side, as many as the page has room for.
func showSeries(p *page.Page, r compute.Result, names []string, labels []any) {
	if len(names) == 0 {
		return
	}
	n := len(r.Outputs[names[0]].([]any))
	const width = 11 // of a column, with its space
	for chunk := range slices.Chunk(names, max(1, (p.Width-14)/width)) {
		columns := []page.Column{{Head: "", Right: true}}
		if len(labels) == n {
			columns[0] = page.Column{Head: "label"}
		}
		for _, name := range chunk {
			columns = append(columns, page.Column{Head: strings.ReplaceAll(name, "_", " "), Right: true})
		}
		var rows [][]string
		for i := range min(n, mostRows) {
			row := []string{strconv.Itoa(i + 1)}
			if len(labels) == n {
				row[0] = inline(labels[i])
			}
			for _, name := range chunk {
				row = append(row, inline(r.Outputs[name].([]any)[i]))
			}
			rows = append(rows, row)
		}
		p.Blank()
		p.Table(columns, rows)
	}
	if n > mostRows {
		p.Linef("and %s more; --json has them all", strconv.Itoa(n-mostRows))
	}
	for i, name := range names {
		why := r.Absent[name]
		if why == "" || slices.ContainsFunc(names[:i], func(n string) bool { return r.Absent[n] == why }) {
			continue // said already
		}
		var all []string
		for _, n := range names[i:] {
			if r.Absent[n] == why {
				all = append(all, strings.ReplaceAll(n, "_", " "))
			}
		}
		p.Item("none among " + strings.Join(all, ", ") + ": " + strings.TrimPrefix(why, "null "))
	}
}

// showObjects prints a list of objects, or of rows, as a table.
func showObjects(p *page.Page, o compute.Output, v any) {
	list, _ := v.([]any)
	p.Heading(upperFirst(strings.ReplaceAll(o.Name, "_", " ")))
	p.Para(o.About+".", 0)
	if len(list) == 0 {
		p.Para("None.", 2)
		return
	}
	var columns []page.Column
	var rows [][]string
	var keys []string
	if first, ok := list[0].(map[string]any); ok {
		keys = objectKeys(o, first)
		for _, k := range keys {
			_, number := first[k].(float64)
			columns = append(columns, page.Column{Head: strings.ReplaceAll(k, "_", " "), Right: number})
		}
	} else {
		for i := range list[0].([]any) {
			columns = append(columns, page.Column{Head: strconv.Itoa(i + 1), Right: true})
		}
	}
	for _, e := range list[:min(len(list), mostRows)] {
		var row []string
		switch e := e.(type) {
		case map[string]any:
			for _, k := range keys {
				row = append(row, inline(e[k]))
			}
		case []any:
			for _, x := range e {
				row = append(row, inline(x))
			}
		}
		rows = append(rows, row)
	}
	p.Table(columns, rows)
	if len(list) > mostRows {
		p.Linef("and %s more; --json has them all", strconv.Itoa(len(list)-mostRows))
	}
}

// objectKeys returns the keys of an object in the order in which the table of
// methods speaks of them.
func objectKeys(o compute.Output, object map[string]any) []string {
	keys := slices.Sorted(maps.Keys(object))
	at := func(k string) int {
		if i := regexp.MustCompile(`\b` + regexp.QuoteMeta(k) + `\b`).FindStringIndex(o.About); i != nil {
			return i[0]
		}
		return len(o.About)
	}
	slices.SortStableFunc(keys, func(a, b string) int { return at(a) - at(b) })
	return keys
}

func isObjects(v any) bool {
	l, ok := v.([]any)
	if !ok || len(l) == 0 {
		return false
	}
	_, ok = l[0].(map[string]any)
	return ok
}

func isRows(v any) bool {
	l, ok := v.([]any)
	if !ok || len(l) == 0 {
		return false
	}
	_, ok = l[0].([]any)
	return ok
}

// inline prints a value on one line.
func inline(v any) string {
	switch v := v.(type) {
	case nil:
		return "none"
	case bool:
		if v {
			return "yes"
		}
		return "no"
	case string:
		return v
	case float64:
		return shortNumber(v)
	case []any:
		if len(v) == 0 {
			return "none"
		}
		var parts []string
		for _, x := range v[:min(len(v), mostInline)] {
			parts = append(parts, inline(x))
		}
		s := strings.Join(parts, ", ")
		if len(v) > mostInline {
			s += fmt.Sprintf(" and %d more", len(v)-mostInline)
		}
		return s
	case map[string]any:
		var parts []string
		for _, k := range slices.Sorted(maps.Keys(v)) {
			parts = append(parts, k+" "+inline(v[k]))
		}
		return strings.Join(parts, ", ")
	}
	return ""
}

// shortNumber prints six figures; --json has all of them.
func shortNumber(x float64) string {
	if s := strconv.FormatFloat(x, 'f', -1, 64); !strings.Contains(s, ".") && len(s) <= 12 {
		return figure.Count(x)
	}
	if x >= 1e6 && x < 1e12 {
		return figure.Count(math.Round(x))
	}
	return strconv.FormatFloat(x, 'g', 6, 64)
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
