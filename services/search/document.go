package search

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/blevesearch/bleve/v2/document"
	index "github.com/blevesearch/bleve_index_api"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
)

// Fields of the index. All but those of text hold terms that filters ask for.
const (
	// Texts in which nothing is covered, for whoever may read them.
	fieldWords  = "words"
	fieldHealth = "health"
	// Texts in which something is: as they were told, and as they read with
	// that covered. Who asks for the one has no way to ask for the other.
	fieldWordsTold     = "words.told"
	fieldWordsCovered  = "words.covered"
	fieldHealthTold    = "health.told"
	fieldHealthCovered = "health.covered"

	fieldKind      = "kind"
	fieldWorkplace = "workplace"
	fieldYear      = "year"
	fieldQuarter   = "quarter"
	fieldMonth     = "month"
	fieldThird     = "third" // of a month
	fieldDay       = "day"
	fieldDataset   = "dataset"
	fieldState     = "state"
	fieldPotential = "potential"
	fieldOutcome   = "outcome" // of each person hurt
	fieldGroup     = "group"   // of each person hurt
	// fieldOrder holds the sort key of newest first, readable by report. It
	// ends in the revision, for Check.
	fieldOrder = "order"
)

// Options of the fields. Text is neither stored nor readable by report: a
// passage is cut from the ledger. Places are kept for phrases. Terms of
// filters need no counts.
const (
	textOptions = index.IndexField | index.IncludeTermVectors
	termOptions = index.IndexField | index.SkipFreqNorm
	keyOptions  = index.IndexField | index.SkipFreqNorm | index.DocValues
)

const reportPrefix = "reports/"

// standing and voided are the terms of fieldState.
const (
	standing = "standing"
	voided   = "voided"
)

// newDocument returns what the index holds of a report. covered is the report
// with what says who somebody is covered; zone is the time zone of its workplace.
func newDocument(r, covered *pb.Report, revision int64, zone *time.Location, l *language) *document.Document {
	d := document.NewDocument(strings.TrimPrefix(r.GetName(), reportPrefix))
	add := func(field string, parts []string) {
		for i, s := range parts {
			if s != "" {
				d.AddField(document.NewTextFieldCustom(field, []uint64{uint64(i)}, []byte(s), textOptions, l))
			}
		}
	}
	// The texts of one field are in one or in the other, all of them: how dense a
	// word is in them comes out as if there were no other.
	texts := func(same, told, hidden string, of func(*pb.Report) []string) {
		if whole, less := of(r), of(covered); !slices.Equal(whole, less) {
			add(told, whole)
			add(hidden, less)
		} else {
			add(same, whole)
		}
	}
	term := func(field, s string, options index.FieldIndexingOptions) {
		d.AddField(document.NewTextFieldCustom(field, nil, []byte(s), options, nil))
	}
	texts(fieldWords, fieldWordsTold, fieldWordsCovered, func(r *pb.Report) []string { return append(told(r), r.GetShortCode()) })
	texts(fieldHealth, fieldHealthTold, fieldHealthCovered, health)
	term(fieldKind, number(r.GetKind()), termOptions)
	term(fieldWorkplace, r.GetWorkplace(), termOptions)
	day := dayOf(r, zone)
	for _, p := range calendar {
		term(p.field, p.term(day), termOptions)
	}
	term(fieldDataset, dataset(r), termOptions)
	state := standing
	if r.GetState() == pb.ReportState_REPORT_STATE_VOIDED {
		state = voided
	}
	term(fieldState, state, termOptions)
	term(fieldPotential, number(r.GetPotential()), termOptions)
	outcomes, groups := map[pb.OutcomeClass]bool{}, map[pb.EmploymentGroup]bool{}
	for _, h := range r.GetHarms() {
		if o := h.GetOutcome(); !outcomes[o] {
			outcomes[o] = true
			term(fieldOutcome, number(o), termOptions)
		}
		if g := h.GetEmploymentGroup(); !groups[g] {
			groups[g] = true
			term(fieldGroup, number(g), termOptions)
		}
	}
	term(fieldOrder, orderKey(r)+"."+strconv.FormatInt(revision, 10), keyOptions)
	return d
}

// number is the term of an enum's value.
func number[E ~int32](value E) string { return strconv.Itoa(int(value)) }

// told returns what was told, part by part, best known part first. Passages
// are cut from the same parts in the same order.
func told(r *pb.Report) []string {
	return []string{
		r.GetNarrative(), r.GetSpot(), r.GetTaskBefore(), r.GetDoneRightAway(), r.GetWhoCouldBeHurt(),
		r.GetDamage(), r.GetRelease().GetSubstance(), r.GetRelease().GetStepsTaken(), r.GetOrigin().GetTitle(),
	}
}

// health returns what is said of the bodies of people hurt.
func health(r *pb.Report) []string {
	var out []string
	for _, h := range r.GetHarms() {
		out = append(out, h.GetDescription())
	}
	return out
}

// dayOf returns the day of a report: that of the event in the time
// zone of the workplace, or of its receipt where the event has no time. The
// receipt of an anonymous report is kept as a day already, at midnight UTC.
func dayOf(r *pb.Report, zone *time.Location) time.Time {
	at := r.GetOccurTime()
	if at == nil {
		at = r.GetReceiveTime()
		if r.GetTellerMode() == pb.TellerMode_TELLER_MODE_ANONYMOUS {
			zone = time.UTC
		}
	}
	return at.AsTime().In(zone)
}

// dataset returns where a report came from; "here" for one that was filed.
func dataset(r *pb.Report) string {
	if r.GetOrigin() == nil {
		return "here"
	}
	return r.GetOrigin().GetDataset()
}

// keyDigits is the length of a sort key, which reaches from 1902 to 2219.
const keyDigits = 10

// orderKey returns a key that sorts reports by the time of the event, or of
// receipt.
func orderKey(r *pb.Report) string {
	at := r.GetOccurTime()
	if at == nil {
		at = r.GetReceiveTime()
	}
	return fmt.Sprintf("%0*d", keyDigits, keyOf(at.GetSeconds()))
}

// keyOf returns the key of a time in seconds since 1970.
func keyOf(seconds int64) uint64 { return uint64(min(max(seconds+1<<31, 0), 9_999_999_999)) }

// fieldsOf returns the fields of text that someone may ask.
func fieldsOf(v access.View) []string {
	fields := []string{fieldWords, fieldWordsTold}
	if !v.Actors {
		fields[1] = fieldWordsCovered
	}
	switch {
	case v.Health && v.Actors:
		fields = append(fields, fieldHealth, fieldHealthTold)
	case v.Health:
		fields = append(fields, fieldHealth, fieldHealthCovered)
	}
	return fields
}

// isText reports whether a field holds words of reports.
func isText(field string) bool {
	switch field {
	case fieldWords, fieldWordsTold, fieldWordsCovered, fieldHealth, fieldHealthTold, fieldHealthCovered:
		return true
	}
	return false
}
