package export

import (
	"fmt"
	"strings"
	"time"

	"github.com/go-pdf/fpdf"

	"fairlead/analytics/figure"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/export/fonts"
	"fairlead/services/export/pdfdraw"
	"fairlead/services/guard"
)

// Colours of the page; the same as on the screen, on white paper.
var (
	ink     = [3]int{0x1A, 0x1D, 0x1B}
	softInk = [3]int{0x4A, 0x50, 0x4C}
	ruleInk = [3]int{0x8A, 0x8F, 0x88}
)

const (
	margin = 18.0 // mm
	body   = 9.5  // pt
	line   = 4.6  // mm
)

// paper lays text, tables and figures out on A4 pages.
type paper struct {
	pdf *fpdf.Fpdf
	k   float64 // points per millimetre
}

func newPaper(sum *pb.Summary) (*paper, error) {
	pdf := fpdf.New("P", "mm", "A4", "")
	if err := pdfdraw.AddFonts(pdf); err != nil {
		return nil, err
	}
	made := sum.GetMakeTime().AsTime()
	// The file says up to when the summary counts and nothing about the machine:
	// made again as at the same moment, it is the same file.
	pdf.SetCreationDate(made)
	pdf.SetModificationDate(made)
	pdf.SetCatalogSort(true)
	pdf.SetProducer("Fairlead", true)
	pdf.SetTitle(sum.GetTitle()+": "+sum.GetScope(), true)
	pdf.SetLang("en-AU")
	pdf.SetMargins(margin, margin, margin)
	pdf.SetAutoPageBreak(true, margin+4)
	pdf.AliasNbPages("{pages}")
	p := &paper{pdf: pdf, k: pdf.GetConversionRatio()}
	as := fmt.Sprintf("As at sequence number %d, counted up to %s.", sum.GetSequenceNumber(), stamp(made))
	pdf.SetFooterFunc(func() {
		pdf.SetY(-margin - 1)
		p.font("", 8, softInk)
		// The page number leads: how wide "of 7" is, is known only at the end.
		pdf.CellFormat(p.width(), line, fmt.Sprintf("%d of {pages}", pdf.PageNo()), "", 1, "L", false, 0, "")
		foot := sum.GetScope() + ". " + as
		if pdf.GetStringWidth(foot) > p.width() {
			foot = as // a long scope stands on the first page
		}
		pdf.CellFormat(p.width(), line, foot, "", 0, "L", false, 0, "")
	})
	pdf.AddPage()
	return p, nil
}

// width is the text width of the page in millimetres.
func (p *paper) width() float64 { w, _ := p.pdf.GetPageSize(); return w - 2*margin }

func (p *paper) font(style string, size float64, c [3]int) {
	p.pdf.SetFont(fonts.Family, style, size)
	p.pdf.SetTextColor(c[0], c[1], c[2])
}

// room starts a new page unless h millimetres are left on this one.
func (p *paper) room(h float64) {
	_, ph := p.pdf.GetPageSize()
	if p.pdf.GetY()+h > ph-margin-6 {
		p.pdf.AddPage()
	}
}

func (p *paper) rule(y, width float64) {
	p.pdf.SetDrawColor(ruleInk[0], ruleInk[1], ruleInk[2])
	p.pdf.SetLineWidth(width)
	p.pdf.Line(margin, y, margin+p.width(), y)
}

func (p *paper) title(s string) {
	p.font("B", 18, ink)
	p.pdf.MultiCell(0, 8, s, "", "L", false)
	p.pdf.Ln(1)
}

func (p *paper) section(s string) { p.sectionOver(s, 22) }

// sectionOver starts a section whose first h millimetres belong to its head.
func (p *paper) sectionOver(s string, h float64) {
	p.room(14 + h)
	p.pdf.Ln(5)
	p.font("B", 12, ink)
	p.pdf.MultiCell(0, 6, s, "", "L", false)
	p.rule(p.pdf.GetY()+0.6, 0.35)
	p.pdf.Ln(2.4)
}

func (p *paper) text(s string) {
	p.font("", body+0.5, ink)
	p.pdf.MultiCell(0, line, s, "", "L", false)
}

// lead is the sentence that says what is the matter.
func (p *paper) lead(s string) {
	if s == "" {
		return
	}
	p.pdf.Ln(1.5)
	p.font("B", 11, ink)
	p.pdf.MultiCell(0, 5.4, s, "", "L", false)
	p.pdf.Ln(0.5)
}

func (p *paper) small(s string) {
	if s == "" {
		return
	}
	p.font("", 8.5, softInk)
	p.pdf.MultiCell(0, 4.1, s, "", "L", false)
}

func (p *paper) note(s string) {
	p.font("", 9, ink)
	p.pdf.SetLeftMargin(margin + 4)
	p.pdf.SetX(margin)
	p.pdf.CellFormat(4, 4.4, "\u2013", "", 0, "L", false, 0, "")
	p.pdf.MultiCell(0, 4.4, s, "", "L", false)
	p.pdf.SetLeftMargin(margin)
	p.pdf.SetX(margin)
	p.pdf.Ln(0.6)
}

func (p *paper) figure(f *figure.Figure) error {
	p.room(f.Height/p.k + 4)
	y := p.pdf.GetY()
	h, err := pdfdraw.Draw(p.pdf, f, margin, y)
	if err != nil {
		return err
	}
	p.pdf.SetXY(margin, y+h+1)
	return nil
}

// column is one column of a ruled table.
type column struct {
	head  string
	width float64 // mm
	right bool
}

// ruled writes a table; the first column wraps, the others do not.
func (p *paper) ruled(cols []column, rows [][]string) {
	head := func() {
		p.font("B", 8.5, ink)
		for _, c := range cols {
			p.pdf.CellFormat(c.width, 5, c.head, "", 0, align(c), false, 0, "")
		}
		p.pdf.Ln(5)
		p.rule(p.pdf.GetY(), 0.25)
		p.pdf.Ln(0.6)
	}
	head()
	for _, r := range rows {
		p.font("", 9, ink)
		lines := p.pdf.SplitText(r[0], cols[0].width-2)
		h := max(1, float64(len(lines))) * 4.3
		before := p.pdf.PageNo()
		p.room(h + 2)
		if p.pdf.PageNo() != before {
			head()
			p.font("", 9, ink)
		}
		y := p.pdf.GetY()
		for i, l := range lines {
			p.pdf.SetXY(margin, y+float64(i)*4.3)
			p.pdf.CellFormat(cols[0].width, 4.3, l, "", 0, "L", false, 0, "")
		}
		p.pdf.SetXY(margin+cols[0].width, y)
		for i, c := range cols[1:] {
			cell := ""
			if i+1 < len(r) {
				cell = r[i+1]
			}
			p.pdf.CellFormat(c.width, 4.3, cell, "", 0, align(c), false, 0, "")
		}
		p.pdf.SetXY(margin, y+h+0.7)
	}
	p.rule(p.pdf.GetY(), 0.15)
	p.pdf.Ln(1.5)
}

func align(c column) string {
	if c.right {
		return "R"
	}
	return "L"
}

// measures writes the measures with count, exposure, interval and base.
func (p *paper) measures(values []*pb.MeasureValue) {
	w := p.width()
	cols := []column{{"Measure", w - 94, false}, {"Count", 18, true}, {"Over", 28, true}, {"Value", 22, true}, {"95 % interval", 26, true}}
	if len(values) > 0 {
		cols[4].head = figure.Number(100*values[0].GetLevel(), 0) + " % interval"
	}
	var rows [][]string
	notes := newNotes()
	for _, v := range values {
		d := v.GetDefinition()
		value, interval := "undefined", ""
		if v.GetDefined() {
			value, interval = rounded(v.Value), "none"
			if v.Lower != nil && v.Upper != nil {
				interval = rounded(v.Lower) + " to " + rounded(v.Upper)
			}
		} else if v.GetHeldBack() {
			value = "held back"
			notes.add(v.GetUndefinedReason()+".", d.GetTitle())
		} else if r := v.GetUndefinedReason(); r != "" {
			notes.add("undefined: "+r+".", d.GetTitle())
		}
		over := ""
		if v.Denominator != nil {
			over = figure.Number(v.GetDenominator(), 0)
		}
		for _, n := range v.GetNotes() {
			notes.add(n, d.GetTitle())
		}
		rows = append(rows, []string{d.GetTitle() + ", " + d.GetUnit(), numeratorWords(v), over, value, interval})
	}
	p.ruled(cols, rows)
	for _, n := range notes.lines(len(values)) {
		p.small(n)
	}
}

// notes gathers remarks that several rows share, so that each is said once.
type notes struct {
	order []string
	about map[string][]string
}

func newNotes() *notes { return &notes{about: map[string][]string{}} }

func (n *notes) add(text, row string) {
	if _, ok := n.about[text]; !ok {
		n.order = append(n.order, text)
	}
	n.about[text] = append(n.about[text], row)
}

// lines returns each remark with the rows it is about; one that more than half
// of all rows share is about the table.
func (n *notes) lines(rows int) []string {
	var out []string
	for _, text := range n.order {
		who := n.about[text]
		if 2*len(who) > rows {
			out = append(out, text)
			continue
		}
		out = append(out, strings.Join(who, ", ")+": "+text)
	}
	return out
}

// table writes a cross-tabulation; columns that are empty throughout are left
// out, which the totals show.
func (p *paper) table(t *pb.Table, method bool) {
	n := len(t.GetColumns())
	if len(t.GetRows()) == 0 && t.GetHeldBackReason() != "" {
		return // why is said below it
	}
	if len(t.GetRows()) == 0 {
		p.text("Nothing to count in this period.")
		return
	}
	var used []int
	for c := range n {
		for r := range t.GetRows() {
			if t.Counts[r*n+c] != 0 {
				used = append(used, c)
				break
			}
		}
	}
	w := p.width()
	each := 18.0
	if len(used) > 6 {
		each = 15
	}
	total := 0.0
	if n > 1 {
		total = 14
	}
	first := w - each*float64(len(used)) - total
	cols := []column{{"", first, false}}
	for _, c := range used {
		cols = append(cols, column{shortHead(t.GetColumns()[c].GetTitle()), each, true})
	}
	if n > 1 {
		cols = append(cols, column{"All", total, true})
	}
	var rows [][]string
	for r, rh := range t.GetRows() {
		row := []string{headWords(rh)}
		for _, c := range used {
			row = append(row, cell(t.Counts[r*n+c]))
		}
		if n > 1 {
			row = append(row, cell(rh.GetTotal()))
		}
		rows = append(rows, row)
	}
	p.ruled(cols, rows)
	if method {
		p.small(t.GetMethod())
	}
	p.small(fmt.Sprintf("Total %s; without a value on the rows %s.", cell(t.GetTotal()), cell(t.GetRowsUnknown())))
}

// cell writes a count for paper: a held-back one is a dash with a dot, which
// the note below the table explains.
func cell(n int64) string {
	if n == guard.HeldBack {
		return "held"
	}
	return figure.Number(float64(n), 0)
}

// shortHead shortens a column head to what fits.
func shortHead(s string) string {
	if short, ok := map[string]string{"medical treatment": "medical", "restricted work": "restricted", "permanent incapacity": "permanent",
		"lasting incapacity": "lasting", "no outcome recorded": "no outcome", "injury or illness": "injury", "environmental release": "release"}[strings.ToLower(s)]; ok {
		return short
	}
	const most = 11
	if r := []rune(s); len(r) > most {
		return string(r[:most-1]) + "."
	}
	return s
}

// unknowns writes how many answers are missing.
func (p *paper) unknowns(list []*pb.UnknownCount) {
	w := p.width()
	cols := []column{{"Item", w - 5*20, false}, {"Cases", 20, true}, {"Known", 20, true}, {"Not known", 20, true}, {"N/A", 20, true}, {"Not asked", 20, true}}
	var rows [][]string
	for _, u := range list {
		rows = append(rows, []string{u.GetItem(), cell(u.GetTotal()), cell(u.GetKnown()), cell(u.GetNotKnown()), cell(u.GetDoesNotApply()), cell(u.GetNotAsked())})
	}
	p.ruled(cols, rows)
	p.small("N/A: the item does not apply to the case.")
}

// stamp is how times are written on paper.
func stamp(t time.Time) string { return t.Format("2 January 2006 15:04:05 MST") }

// numeratorWords writes what a figure counts, as it is read.
func numeratorWords(v *pb.MeasureValue) string {
	if v.GetHeldBack() {
		return cell(guard.HeldBack)
	}
	return figure.Number(v.GetNumerator(), 0)
}
