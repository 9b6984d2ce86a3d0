package desk

import (
	"fmt"
	"html/template"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"fairlead/analytics/figure"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// functions are what templates may call.
func functions() template.FuncMap {
	return template.FuncMap{
		"kind":      kindWords,
		"outcome":   func(o pb.OutcomeClass) string { return orUnknown(words.Of(o), int32(o)) },
		"potential": potentialWords,
		"teller":    tellerWords,
		"group":     func(g pb.EmploymentGroup) string { return orUnknown(words.Of(g), int32(g)) },
		"facet":     facetWords,
		"treatment": treatmentWords,
		"precision": func(p pb.TimePrecision) string { return words.Of(p) },
		"water":     waterWords,
		"short":     words.Short,
		"sum":       func(a, b int) int { return a + b },
		"month":     monthWords,
		"number":    func(v float64) string { return figure.Number(v, decimals(v)) },
		"rate":      rateWords,
		"limit": func(p *float64) string {
			if p == nil {
				return ""
			}
			return figure.Number(*p, decimals(*p))
		},
		"count":   func(n int64) string { return figure.Number(float64(n), 0) },
		"whole":   func(v float64) string { return figure.Number(v, 0) },
		"percent": func(v float64) string { return figure.Number(100*v, 0) + " %" },
		"svg":     func(s string) template.HTML { return template.HTML(s) }, // drawn by analytics/figure, which escapes every word
		"join":    strings.Join,
		"slug":    func(k pb.ReportKind) string { return words.Slug(k) },
		"day":     func(t *timestamppb.Timestamp, loc *time.Location) string { return when(t, loc, "2 January 2006") },
		"moment": func(t *timestamppb.Timestamp, loc *time.Location) string {
			return when(t, loc, "2 January 2006, 15:04")
		},
		"iso":       func(t *timestamppb.Timestamp) string { return t.AsTime().Format(time.RFC3339) },
		"stage":     stageWords,
		"said":      saidWords,
		"readof":    readWords,
		"origin":    originWords,
		"role":      func(r pb.Role) string { return words.Of(r) },
		"flawed":    flawed,
		"options":   func(list string) []option { return options[list] },
		"verb":      verbWords,
		"fields":    fieldWords,
		"person":    personWords,
		"outcomes":  outcomesWords,
		"date":      dateWords,
		"dateinput": dateInput,
		"at":        func(form, field string) string { return strings.ReplaceAll(form, " ", "-") + "-" + field },
		"form":      func(form, harm string) string { return form + " " + harm },
		"head":      headWords,
		"held":      heldOr,
		"chance":    chanceWords,
		"few":       fewWords,
		"times":     timesWords,
		"part":      partWords,
		"share":     shareWords,
		"spread":    spreadWords,
		"odds":      oddsWords,
		"link":      reportsLink,
		"utc":       func(t *timestamppb.Timestamp) string { return t.AsTime().Format("2 January 2006 15:04:05 MST") },
		"int64len":  func(list []*pb.ReportDifference) int64 { return int64(len(list)) },
		"field":     field,
		"newID":     newID,
		"roleSlug":  func(r pb.Role) string { return words.Slug(r) },
		"firstOf": func(list []string) string {
			if len(list) == 0 {
				return ""
			}
			return list[0]
		},
		"span":     spanWords,
		"standing": standingWords,
		"removal":  removalWords,
	}
}

func orUnknown(s string, n int32) string {
	if n == 0 {
		return "not given"
	}
	return s
}

func when(t *timestamppb.Timestamp, loc *time.Location, layout string) string {
	if t == nil {
		return "not known"
	}
	if loc == nil {
		loc = time.UTC
	}
	return t.AsTime().In(loc).Format(layout)
}

func kindWords(k pb.ReportKind) string {
	switch k {
	case pb.ReportKind_REPORT_KIND_UNSPECIFIED:
		return "not given"
	case pb.ReportKind_REPORT_KIND_RELEASE:
		return "spill or release"
	}
	return words.Of(k)
}

func potentialWords(p pb.PotentialSeverity) string {
	switch p {
	case pb.PotentialSeverity_POTENTIAL_SEVERITY_MINOR:
		return "first aid at most"
	case pb.PotentialSeverity_POTENTIAL_SEVERITY_SERIOUS:
		return "time off work"
	case pb.PotentialSeverity_POTENTIAL_SEVERITY_LIFE_CHANGING:
		return "lasting injury"
	case pb.PotentialSeverity_POTENTIAL_SEVERITY_FATAL:
		return "death"
	}
	return "not judged"
}

func tellerWords(m pb.TellerMode) string {
	switch m {
	case pb.TellerMode_TELLER_MODE_NAMED:
		return "the supervisor and the safety adviser"
	case pb.TellerMode_TELLER_MODE_ANONYMOUS:
		return "nobody"
	}
	return "only a named few"
}

func treatmentWords(t pb.Treatment) string {
	switch t {
	case pb.Treatment_TREATMENT_UNSPECIFIED:
		return "not known"
	case pb.Treatment_TREATMENT_MEDICAL:
		return "a doctor or clinic"
	case pb.Treatment_TREATMENT_IN_PATIENT:
		return "kept in hospital"
	}
	return words.Of(t)
}

func waterWords(w pb.WaterReached) string {
	switch w {
	case pb.WaterReached_WATER_REACHED_NO:
		return "stayed on land"
	case pb.WaterReached_WATER_REACHED_DRAIN:
		return "reached a drain"
	case pb.WaterReached_WATER_REACHED_WATER:
		return "reached water"
	}
	return "not known"
}

func facetWords(f pb.Facet) string {
	switch f {
	case pb.Facet_FACET_NATURE:
		return "nature of injury or disease"
	case pb.Facet_FACET_BODILY_LOCATION:
		return "bodily location"
	case pb.Facet_FACET_MECHANISM:
		return "mechanism of incident"
	case pb.Facet_FACET_BREAKDOWN_AGENCY:
		return "breakdown agency"
	case pb.Facet_FACET_AGENCY:
		return "agency of injury"
	}
	return ""
}

func originWords(o pb.CodingOrigin) string {
	switch o {
	case pb.CodingOrigin_CODING_ORIGIN_CROSSWALK_NOT_REVIEWED:
		return "crosswalk, not reviewed"
	case pb.CodingOrigin_CODING_ORIGIN_CROSSWALK_REVIEWED:
		return "crosswalk, agreed by a person"
	}
	return "chosen by a person"
}

// dateWords writes a day as people do; what is not a day stays as it is.
func dateWords(day string) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return t.Format("2 January 2006")
}

// dateInput is the kind of field for a day, a month or a time of day. A browser
// drops what it cannot read in a field of that kind; what somebody typed stays
// in a plain one.
func dateInput(kind, value string) string {
	layout := map[string]string{"date": time.DateOnly, "month": "2006-01", "time": "15:04"}[kind]
	if _, err := time.Parse(layout, value); value != "" && err != nil {
		return "text"
	}
	return kind
}

func monthWords(m string) string {
	t, err := time.Parse("2006-01", m)
	if err != nil {
		return m
	}
	return t.Format("Jan 2006")
}

// decimals are what a figure deserves: at most one, as rates of few cases say
// no more.
func decimals(v float64) int {
	if v != 0 && v < 10 && v > -10 {
		return 1
	}
	return 0
}

// rateWords writes a rate; very small ones keep two significant digits.
func rateWords(p *float64) string {
	if p == nil {
		return ""
	}
	switch v := *p; {
	case v != 0 && v < 0.1:
		return fmt.Sprintf("%.2g", v)
	case v < 100:
		return figure.Number(v, 1)
	default:
		return figure.Number(v, 0)
	}
}

// field bundles what the parts of a form need.
func field(pairs ...any) (map[string]any, error) {
	if len(pairs)%2 != 0 {
		return nil, fmt.Errorf("field: wants names and values")
	}
	out := map[string]any{}
	for i := 0; i < len(pairs); i += 2 {
		name, ok := pairs[i].(string)
		if !ok {
			return nil, fmt.Errorf("field: name %d is not a word", i)
		}
		out[name] = pairs[i+1]
	}
	return out, nil
}
