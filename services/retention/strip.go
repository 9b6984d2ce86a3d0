package retention

import (
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/record"
)

// Placeholders that stand where something was taken out. A narrative is never
// empty, so that a report without its words can still be amended.
const (
	noWords  = "(The words of this report were taken out.)"
	noPerson = "erased"
)

// strip takes something out of one version of a report, a coding, an attachment
// or a message. It may change the message as it likes.
type strip func(m proto.Message)

// message returns an empty message of a kind that can be stripped.
func message(kind string) (proto.Message, error) {
	switch kind {
	case record.KindReport:
		return &pb.Report{}, nil
	case record.KindCoding:
		return &pb.Coding{}, nil
	case record.KindAttachment:
		return &pb.Attachment{}, nil
	case record.KindMessage:
		return &pb.ReportMessage{}, nil
	case record.KindMasked:
		return &pb.MaskedText{}, nil
	}
	return nil, fmt.Errorf("retention: a %s is not taken apart", kind)
}

// withoutPerson takes the mentions of one person out of a report.
func withoutPerson(person string) strip {
	return func(m proto.Message) {
		if r, ok := m.(*pb.Report); ok {
			for _, h := range r.GetHarms() {
				if h.GetPerson() == person {
					h.Person = ""
				}
			}
		}
	}
}

// withoutIdentities takes out who was hurt and what narrows it down.
func withoutIdentities(m proto.Message) {
	r, ok := m.(*pb.Report)
	if !ok {
		return
	}
	r.TellerRole, r.TypedByAnother = 0, false
	for _, h := range r.GetHarms() {
		h.Person, h.AgeBand = "", 0
		delete(h.Answers, "person")
		delete(h.Answers, "age_band")
	}
	delete(r.Answers, "teller_role")
}

// withoutWords leaves what is counted, and nothing else. It is written as what
// stays: a field that is added to the contract is taken out until somebody
// decides that it is counted.
func withoutWords(m proto.Message) {
	switch m := m.(type) {
	case *pb.Report:
		counted(m)
	case *pb.Coding:
		m.Note = ""
	case *pb.Attachment:
		m.Caption, m.RemoveReason = "", ""
	case *pb.ReportMessage:
		m.Text = ""
	case *pb.MaskedText:
		m.Narrative = ""
	}
}

// counted replaces a report by what figures are made of. The instant of the
// event stays: days between events are counted from it.
func counted(m *pb.Report) {
	r := &pb.Report{
		Name: m.GetName(), ShortCode: m.GetShortCode(), Kind: m.GetKind(), Workplace: m.GetWorkplace(), Narrative: noWords,
		OccurTime: m.GetOccurTime(), OccurEndTime: m.GetOccurEndTime(), OccurPrecision: m.GetOccurPrecision(),
		Potential: m.GetPotential(), TellerMode: m.GetTellerMode(), Links: m.GetLinks(), State: m.GetState(),
		ReceiveTime: m.GetReceiveTime(), UpdateTime: m.GetUpdateTime(), Removals: m.GetRemovals(),
	}
	if o := m.GetOrigin(); o != nil {
		r.Origin = &pb.Origin{Dataset: o.GetDataset(), SourceId: o.GetSourceId()}
	}
	if l := m.GetRelease(); l != nil {
		r.Release = &pb.Release{Quantity: l.Quantity, QuantityUnit: l.GetQuantityUnit(), AreaSquareMetres: l.AreaSquareMetres,
			WaterReached: l.GetWaterReached()}
	}
	for _, h := range m.GetHarms() {
		n := &pb.Harm{HarmId: h.GetHarmId(), EmploymentGroup: h.GetEmploymentGroup(), Illness: h.GetIllness(), Outcome: h.GetOutcome(),
			Absences: h.GetAbsences(), Restrictions: h.GetRestrictions(), DeathDate: h.GetDeathDate()}
		for _, c := range h.GetOutcomeHistory() {
			n.OutcomeHistory = append(n.OutcomeHistory, &pb.OutcomeChange{Outcome: c.GetOutcome(), EffectiveDate: c.GetEffectiveDate(),
				RecordTime: c.GetRecordTime()})
		}
		r.Harms = append(r.Harms, n)
	}
	proto.Reset(m)
	proto.Merge(m, r)
}

// texts are the words of a report that can be replaced one by one.
var texts = map[string]func(r *pb.Report) *string{
	"narrative":         func(r *pb.Report) *string { return &r.Narrative },
	"spot":              func(r *pb.Report) *string { return &r.Spot },
	"task_before":       func(r *pb.Report) *string { return &r.TaskBefore },
	"done_right_away":   func(r *pb.Report) *string { return &r.DoneRightAway },
	"who_could_be_hurt": func(r *pb.Report) *string { return &r.WhoCouldBeHurt },
	"damage":            func(r *pb.Report) *string { return &r.Damage },
	"void_reason":       func(r *pb.Report) *string { return &r.VoidReason },
	"release.substance": func(r *pb.Report) *string {
		if r.Release == nil {
			return nil
		}
		return &r.Release.Substance
	},
	"release.steps_taken": func(r *pb.Report) *string {
		if r.Release == nil {
			return nil
		}
		return &r.Release.StepsTaken
	},
	"origin.title": func(r *pb.Report) *string {
		if r.Origin == nil {
			return nil
		}
		return &r.Origin.Title
	},
}

// instead puts other words in the place of those that stand.
func instead(list []*pb.TextInstead) strip {
	return func(m proto.Message) {
		for _, t := range list {
			switch m := m.(type) {
			case *pb.MaskedText:
				m.Narrative = "" // made of the words that go
			case *pb.Report:
				replaceIn(m, t)
			case *pb.Coding:
				if id, ok := parts(t.GetField(), "codings.", ".note"); ok && strings.HasSuffix(m.GetName(), "/codings/"+id) && m.GetNote() != "" {
					m.Note = t.GetText()
				}
			}
		}
	}
}

func replaceIn(r *pb.Report, t *pb.TextInstead) {
	if of, ok := texts[t.GetField()]; ok {
		if p := of(r); p != nil && *p != "" {
			*p = t.GetText()
		}
		return
	}
	switch t.GetField() {
	case "origin.attributes":
		if r.Origin != nil {
			r.Origin.Attributes = nil
		}
		return
	case "reasons":
		r.ChangeReason = ""
		for _, h := range r.GetHarms() {
			for _, c := range h.GetOutcomeHistory() {
				c.Reason = ""
			}
		}
		return
	}
	if id, ok := parts(t.GetField(), "harms.", ".description"); ok {
		for _, h := range r.GetHarms() {
			if h.GetHarmId() == id && h.GetDescription() != "" {
				h.Description = t.GetText()
			}
		}
	}
}

// parts returns what stands between a prefix and a suffix.
func parts(s, prefix, suffix string) (string, bool) {
	rest, a := strings.CutPrefix(s, prefix)
	rest, b := strings.CutSuffix(rest, suffix)
	return rest, a && b && rest != ""
}
