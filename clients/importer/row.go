package importer

import (
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"fairlead/clients/sheet"
	pb "fairlead/proto/gen/fairlead/v1"
)

// reportIDs is the name space of the ids of imported reports (UUID version 5
// over data set and source id), so that one record of a data set is one report
// on every machine.
var reportIDs = uuid.MustParse("6f2d3b52-5a0e-5f0c-9d7b-2f1c6d1b8a44")

// ReportName returns the name of the report that a record of a data set
// becomes.
func ReportName(dataset, sourceID string) string {
	return "reports/" + reportID(dataset, sourceID).String()
}

func reportID(dataset, sourceID string) uuid.UUID {
	return uuid.NewSHA1(reportIDs, []byte(dataset+"\x00"+sourceID))
}

// Problem is one thing wrong with one row.
type Problem struct {
	// Line is the line of the row in the file, counted from 1.
	Line int
	// ID is the id of the record in the source, where it could be read.
	ID string
	// Column is the column, or columns; empty when it is the whole row.
	Column string
	// Value is what stands there, when it is short and not a story.
	Value string
	// Cure says what is wrong and what to do.
	Cure string
}

// Zone returns the time zone of a workplace, or why there is none.
type Zone func(workplace string) (*time.Location, error)

// Reader makes records of the rows of one table.
type Reader struct {
	m     *Mapping
	zone  Zone
	index map[string]int
	// Unused are the columns of the table that the mapping does not look at.
	Unused []string
	// Uncrossed counts codes and keywords that a crosswalk does not know, by
	// crosswalk and code.
	Uncrossed map[string]int
}

// Bind matches a mapping with the header of a table. The error is
// MappingErrors for columns that are not there.
func (m *Mapping) Bind(header []string, zone Zone) (*Reader, error) {
	r := &Reader{m: m, zone: zone, index: map[string]int{}, Uncrossed: map[string]int{}}
	twice := map[string]bool{}
	for i, h := range header {
		if _, ok := r.index[h]; ok {
			twice[h] = true
		}
		r.index[h] = i
	}
	var errs MappingErrors
	used := map[string]bool{}
	m.columns(func(line int, path, column string) {
		used[column] = true
		switch _, ok := r.index[column]; {
		case !ok:
			errs = append(errs, MappingError{line, path, fmt.Sprintf("the table has no column %q; it has %s", column, strings.Join(header, ", "))})
		case twice[column]:
			errs = append(errs, MappingError{line, path, fmt.Sprintf("the table has the column %q twice; rename one", column)})
		}
	})
	for _, h := range header {
		if h != "" && !used[h] {
			r.Unused = append(r.Unused, h)
		}
	}
	return r, errs.err()
}

// columns calls f for every column that the mapping looks at.
func (m *Mapping) columns(f func(line int, path, column string)) {
	m.sources(func(s *source) {
		for _, c := range s.columns {
			f(s.line, s.path, c)
		}
		for _, r := range s.rules {
			for _, c := range r.when {
				f(c.line, c.path, c.column)
			}
		}
	})
	for _, h := range m.harms {
		for _, c := range h.when {
			f(c.line, c.path, c.column)
		}
	}
}

// sources calls f for every source of the mapping.
func (m *Mapping) sources(f func(*source)) {
	one := func(s *source) {
		if s != nil {
			f(s)
		}
	}
	all := func(items []item) {
		for _, i := range items {
			f(i.src)
		}
	}
	one(m.id)
	one(m.title)
	all(m.report)
	all(m.release)
	for _, h := range m.harms {
		all(h.items)
		one(h.outcome)
		one(h.outcomeFrom)
		for _, a := range append(append([][]item(nil), h.absences...), h.restricted...) {
			all(a)
		}
	}
	for _, c := range m.codings {
		for _, x := range c.facets {
			f(x.src)
		}
		for _, a := range c.sourceCodes {
			f(a.src)
		}
	}
	for _, a := range m.attributes {
		f(a.src)
	}
}

// Record makes a record of a row. With problems there is no record.
func (r *Reader) Record(row sheet.Row) (*pb.ImportRecord, []Problem) {
	x := &reading{r: r, row: row}
	rec := &pb.ImportRecord{SourceLine: int64(row.Line), Report: &pb.Report{Origin: &pb.Origin{Dataset: r.m.Dataset}}}
	x.origin(rec.GetReport().GetOrigin())
	x.report(rec.GetReport())
	x.people(rec)
	x.codes(rec)
	if len(x.problems) > 0 {
		return nil, x.problems
	}
	rec.Report.Name = ReportName(r.m.Dataset, rec.GetReport().GetOrigin().GetSourceId())
	return rec, nil
}

// reading is one row while it is read.
type reading struct {
	r        *Reader
	row      sheet.Row
	id       string
	problems []Problem
	harmIDs  []string // by number of the harm in the mapping, empty when not made
}

func (x *reading) cell(column string) string { return x.row.Cells[x.r.index[column]] }

// fail notes a problem. Stories are not repeated, nor is what is too long to
// read at a glance.
func (x *reading) fail(columns []string, fd protoreflect.FieldDescriptor, cure string) {
	p := Problem{Line: x.row.Line, ID: x.id, Column: strings.Join(columns, ", "), Cure: cure}
	if len(columns) == 1 {
		p.Value = shown(fd, x.cell(columns[0]))
	}
	x.problems = append(x.problems, p)
}

// stories are fields whose words must not be spread.
var stories = map[protoreflect.Name]bool{"narrative": true, "description": true, "task_before": true,
	"done_right_away": true, "who_could_be_hurt": true, "damage": true, "title": true, "person": true}

func shown(fd protoreflect.FieldDescriptor, value string) string {
	if n := utf8.RuneCountInString(value); n > 60 || (n > 0 && fd != nil && stories[fd.Name()]) {
		return fmt.Sprintf("(%d characters)", n)
	}
	return value
}

// answer works out what a source says in this row. reason is that of the rule.
func (x *reading) answer(s *source, fd protoreflect.FieldDescriptor) (a answer, reason string, ok bool) {
	switch {
	case s.constant != nil:
		return *s.constant, "", true
	case s.rules != nil:
		for _, r := range s.rules {
			yes, fine := x.hold(r.when)
			if !fine {
				return answer{}, "", false
			}
			if yes {
				return x.settle(s, fd, r.answer, r.when[0].column), r.reason, !r.answer.refuse
			}
		}
		if s.otherwise != nil {
			return x.settle(s, fd, *s.otherwise, ""), "", !s.otherwise.refuse
		}
		return notAsked, "", true
	}
	text := x.joined(s)
	if text == "" {
		if s.whenEmpty.refuse {
			x.fail(s.columns, fd, "is empty; fill it in, or take the row out")
		}
		return s.whenEmpty, "", !s.whenEmpty.refuse
	}
	if s.values == nil {
		return answer{text: text}, "", true
	}
	a, named := s.values[foldCell(text)]
	if !named && s.otherwise != nil {
		a, named = *s.otherwise, true
	}
	if !named {
		x.fail(s.columns, fd, fmt.Sprintf("is not named under %s.values in the mapping; give it a line there", s.path))
		return a, "", false
	}
	if a.refuse {
		x.fail(s.columns, fd, "is refused by the mapping; correct it, or take the row out")
	}
	return a, "", !a.refuse
}

// settle notes the problem of a rule that refuses.
func (x *reading) settle(s *source, fd protoreflect.FieldDescriptor, a answer, column string) answer {
	if a.refuse {
		var columns []string
		if column != "" {
			columns = []string{column}
		}
		x.fail(columns, fd, fmt.Sprintf("is refused by %s.rules in the mapping; correct it, or take the row out", s.path))
	}
	return a
}

func (x *reading) joined(s *source) string {
	if len(s.columns) == 1 {
		return x.cell(s.columns[0])
	}
	var parts []string
	for _, c := range s.columns {
		if v := x.cell(c); v != "" {
			parts = append(parts, v)
		}
	}
	return strings.Join(parts, s.between)
}

func (x *reading) hold(when []condition) (yes, fine bool) {
	yes, fine = true, true
	for _, c := range when {
		y, problem := c.holds(x.cell(c.column))
		if problem != "" {
			x.fail([]string{c.column}, nil, problem)
			fine = false
		}
		yes = yes && y
	}
	return yes && fine, fine
}

// fill sets the fields of a message, and says in its answers why others have
// no value. It returns the sources that gave a value.
func (x *reading) fill(m proto.Message, items []item, zone *time.Location) map[protoreflect.Name]*source {
	given := map[protoreflect.Name]*source{}
	for _, it := range items {
		a, _, ok := x.answer(it.src, it.fd)
		if !ok {
			continue
		}
		if a.text == "" {
			state(m, string(it.fd.Name()), a.state)
			continue
		}
		if isTime(it.fd) && zone == nil {
			continue // the workplace is wrong, and that is said already
		}
		if problem := set(m.ProtoReflect(), it.fd, a.text, clock{it.src.layout, zone}); problem != "" {
			x.fail(it.src.columns, it.fd, problem)
			continue
		}
		given[it.fd.Name()] = it.src
	}
	return given
}

// state notes why an item has no value. Not asked is said by silence.
func state(m proto.Message, item string, s pb.AnswerState) {
	if s == pb.AnswerState_ANSWER_STATE_NOT_ASKED || s == pb.AnswerState_ANSWER_STATE_UNSPECIFIED {
		return
	}
	r := m.ProtoReflect()
	fd := r.Descriptor().Fields().ByName("answers")
	if fd == nil {
		return
	}
	r.Mutable(fd).Map().Set(protoreflect.ValueOfString(item).MapKey(), protoreflect.ValueOfEnum(s.Number()))
}

func (x *reading) origin(o *pb.Origin) {
	idField := originDesc.Fields().ByName("source_id")
	if a, _, ok := x.answer(x.r.m.id, idField); ok {
		if problem := tooLong(idField, a.text); problem != "" {
			x.fail(x.r.m.id.columns, idField, problem)
		}
		o.SourceId, x.id = a.text, a.text
	}
	if t := x.r.m.title; t != nil {
		fd := originDesc.Fields().ByName("title")
		if a, _, ok := x.answer(t, fd); ok {
			if problem := tooLong(fd, a.text); problem != "" {
				x.fail(t.columns, fd, problem)
			}
			o.Title = a.text
		}
	}
	for _, at := range x.r.m.attributes {
		if v, ok := x.kept(at, 2000); ok {
			put(&o.Attributes, at.key, v)
		}
	}
}

// kept returns the value of an attribute, when it has one of at most limit
// characters.
func (x *reading) kept(at attribute, limit int) (string, bool) {
	a, _, ok := x.answer(at.src, nil)
	if !ok || a.text == "" {
		return "", false
	}
	if n := utf8.RuneCountInString(a.text); n > limit {
		x.fail(at.src.columns, nil, fmt.Sprintf("has %d characters, and %d fit; shorten it in the source, or leave the column out of the mapping", n, limit))
		return "", false
	}
	return a.text, true
}

func put(m *map[string]string, k, v string) {
	if *m == nil {
		*m = map[string]string{}
	}
	(*m)[k] = v
}

func (x *reading) report(rep *pb.Report) {
	var first, rest []item
	for _, it := range x.r.m.report {
		if it.fd.Name() == "workplace" {
			first = append(first, it)
		} else {
			rest = append(rest, it)
		}
	}
	var zone *time.Location
	if given := x.fill(rep, first, nil); given["workplace"] != nil {
		var err error
		if zone, err = x.zoneOf(rep.GetWorkplace()); err != nil {
			x.fail(given["workplace"].columns, nil, err.Error())
		}
	}
	given := x.fill(rep, rest, zone)
	if src := given["occur_time"]; src != nil && given["occur_precision"] == nil {
		rep.OccurPrecision = src.precision
		switch {
		case src.precision != 0:
		case given["occur_end_time"] != nil:
			rep.OccurPrecision = pb.TimePrecision_TIME_PRECISION_PERIOD
		default:
			rep.OccurPrecision = src.layout.precision
		}
	}
	if end := given["occur_end_time"]; end != nil && before(rep.GetOccurEndTime(), rep.GetOccurTime()) {
		x.fail(end.columns, nil, "is before the start, or there is no start; correct one of the two")
	}
	if x.r.m.release != nil {
		rel := &pb.Release{}
		x.fill(rel, x.r.m.release, zone)
		if proto.Size(rel) > 0 {
			rep.Release = rel
		}
	}
}

func before(a, b *timestamppb.Timestamp) bool { return b == nil || a.AsTime().Before(b.AsTime()) }

func (x *reading) zoneOf(workplace string) (*time.Location, error) {
	zone, err := x.r.zone(workplace)
	if err != nil {
		return nil, err
	}
	if x.r.m.zone != nil {
		zone = x.r.m.zone
	}
	if zone == nil {
		return nil, errors.New("has a workplace without a time zone; set time_zone in the mapping")
	}
	return zone, nil
}
