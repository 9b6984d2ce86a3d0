package export

import (
	"bytes"
	"encoding/csv"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/guard"
)

// writeJSON writes the summary in the JSON form of the contract.
func writeJSON(sum *pb.Summary) ([]byte, error) {
	sum.GetChart().Svg, sum.GetChart().SvgNarrow = "", ""
	raw, err := protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(sum)
	if err != nil {
		return nil, err
	}
	// protojson varies its white space on purpose; a file that is compared by
	// its hash must not.
	return indent(raw)
}

// columns is how many cells a row has.
const columns = 13

// writeCSV writes the summary as one table of sections, RFC 4180: every row
// says which section it belongs to, so that a spreadsheet can filter.
func writeCSV(sum *pb.Summary) ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	row := func(cells ...string) {
		full := make([]string, columns) // every row has the same cells, as RFC 4180 asks
		for i, c := range cells {
			full[i] = plainCell(c)
		}
		_ = w.Write(full) // a bytes.Buffer does not fail
	}
	row("section", "item", "column", "value", "lower", "upper", "unit", "numerator", "numerator_of", "denominator", "level", "method", "note")
	about := func(item, value string) { row("about", item, "", value) }
	about("title", sum.GetTitle())
	about("scope", sum.GetScope())
	about("first month", sum.GetPeriod().GetStartMonth())
	about("last month", lastMonth(sum.GetPeriod()))
	about("convention", conventionWords(sum.GetConvention()))
	about("codes", sum.GetEdition())
	about("sequence number", strconv.FormatInt(sum.GetSequenceNumber(), 10))
	about("hash of the log", sum.GetLogHash())
	about("counted up to", sum.GetMakeTime().AsTime().Format(time.RFC3339))
	about("to make it again, ask as at", momentWords(sum.GetAsAt()))
	for _, v := range sum.GetMeasures() {
		d := v.GetDefinition()
		value, lower, upper := "undefined", "", ""
		if v.GetDefined() {
			value = number(v.Value)
			lower, upper = number(v.Lower), number(v.Upper)
		} else if v.GetHeldBack() {
			value = count(guard.HeldBack)
		}
		notes := append([]string{}, v.GetNotes()...)
		if r := v.GetUndefinedReason(); r != "" {
			notes = append([]string{r}, notes...)
		}
		row("measure", d.GetTitle(), d.GetMeasure(), value, lower, upper, d.GetUnit(),
			numerator(v), v.GetNumeratorName(), number(v.Denominator),
			strconv.FormatFloat(v.GetLevel(), 'f', -1, 64), v.GetIntervalMethod(), strings.Join(notes, "; "))
	}
	for _, p := range sum.GetChart().GetPoints() {
		value := "no hours"
		if p.Value != nil {
			value = number(p.Value)
		}
		note := ""
		if p.GetBeyond() {
			note = "beyond a limit"
		}
		if p.GetProvisional() {
			note = strings.TrimPrefix(note+"; provisional hours", "; ")
		}
		row("chart of "+sum.GetChart().GetDefinition().GetTitle(), p.GetMonth(), "", value, number(p.Lower), number(p.Upper),
			sum.GetChart().GetUnit(), strconv.FormatInt(p.GetCount(), 10), "", number(p.Exposure), "", "", note)
	}
	if s := sum.GetChart().GetSentence(); s != "" {
		row("chart of "+sum.GetChart().GetDefinition().GetTitle(), "what it says", "", s, "", "", "", "", "", "", "", sum.GetChart().GetMethod())
	}
	tableRows(row, "Reports by kind", sum.GetKinds())
	for _, t := range sum.GetTables() {
		tableRows(row, t.GetTitle(), t.GetTable())
	}
	for _, u := range sum.GetUnknowns() {
		for _, c := range []struct {
			column string
			n      int64
		}{{"cases", u.Total}, {"known", u.Known}, {"not known", u.NotKnown}, {"does not apply", u.DoesNotApply}, {"not asked", u.NotAsked}} {
			row("answers", u.GetItem(), c.column, strconv.FormatInt(c.n, 10))
		}
	}
	for _, n := range sum.GetMethodNotes() {
		row("method", "", "", n)
	}
	for _, n := range sum.GetCautions() {
		row("caution", "", "", n)
	}
	w.Flush()
	return b.Bytes(), w.Error()
}

// numerator writes what a figure counts.
func numerator(v *pb.MeasureValue) string {
	if v.GetHeldBack() {
		return count(guard.HeldBack)
	}
	return strconv.FormatFloat(v.GetNumerator(), 'f', -1, 64)
}

func tableRows(row func(...string), title string, t *pb.Table) {
	cols := len(t.GetColumns())
	for r, rh := range t.GetRows() {
		for c, ch := range t.GetColumns() {
			row(title, headWords(rh), headWords(ch), count(t.Counts[r*cols+c]))
		}
		if cols > 1 {
			row(title, headWords(rh), "total", count(rh.GetTotal()))
		}
	}
	if why := t.GetHeldBackReason(); why != "" && len(t.GetRows()) == 0 {
		row(title, "", "", count(guard.HeldBack), "", "", "", "", "", "", "", "", why)
		return
	}
	row(title, "total", "", count(t.GetTotal()))
}

// headWords names a category: its code and title.
func headWords(h *pb.TableHead) string {
	switch {
	case h.GetKey() == "" || h.GetTitle() == h.GetKey():
		return h.GetTitle()
	case h.GetFacet() != pb.Facet_FACET_UNSPECIFIED:
		return h.GetKey() + " " + h.GetTitle()
	}
	return h.GetTitle()
}

func count(n int64) string {
	if n == guard.HeldBack {
		return "held back"
	}
	return strconv.FormatInt(n, 10)
}

func number(p *float64) string {
	if p == nil {
		return ""
	}
	return strconv.FormatFloat(*p, 'g', 10, 64)
}

// plainCell keeps a spreadsheet from reading text as a formula.
func plainCell(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		if _, err := strconv.ParseFloat(s, 64); err != nil {
			return "'" + s
		}
	}
	return s
}

// momentWords writes a moment so that it can be asked for again.
func momentWords(as *pb.AsAt) string {
	return strconv.FormatInt(as.GetSequenceNumber(), 10) + "@" + as.GetCountTime().AsTime().Format(time.RFC3339Nano)
}

// conventionWords names a convention for people.
func conventionWords(c pb.Convention) string {
	switch c {
	case pb.Convention_CONVENTION_US:
		return "29 CFR 1904 (United States)"
	case pb.Convention_CONVENTION_ILO:
		return "ILO, 16th ICLS 1998"
	case pb.Convention_CONVENTION_WA_MINING:
		return "Western Australian mining practice"
	case pb.Convention_CONVENTION_UK:
		return "United Kingdom practice"
	case pb.Convention_CONVENTION_ANSI_Z16:
		return "ANSI Z16.1-1967 (history)"
	case pb.Convention_CONVENTION_IOGP:
		return "IOGP"
	}
	return "AS 1885.1-1990"
}
