package intake

import (
	"context"
	"maps"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/answers"
	"fairlead/services/fault"
	"fairlead/services/record"
)

// amendable are the fields of a report that an amendment may change; harms are
// amended one by one, see amendHarms.
var amendable = []string{"kind", "workplace", "narrative", "language_code", "occur_time", "occur_end_time",
	"occur_precision", "spot", "task_before", "done_right_away", "who_could_be_hurt", "potential", "teller_role",
	"typed_by_another", "release", "damage", "links", "answers", "harms"}

// updatable returns what is wrong with an amendment before anything is read.
func updatable(req *pb.UpdateReportRequest) fault.Violations {
	var vs fault.Violations
	switch r := req.GetReport(); {
	case r == nil:
		vs.Add("report", "is needed: its name, its etag and what changes")
	case !isUUID(strings.TrimPrefix(r.GetName(), reportPrefix)):
		vs.Add("report.name", "is needed: reports/ and the UUID of the report to change")
	}
	if blank(req.GetReason()) {
		vs.Add("reason", "is needed: why is it changed?")
	}
	return vs
}

func blank(s string) bool { return strings.TrimSpace(s) == "" }

// amendment changes what a report says.
func (s *Service) amendment(req *pb.UpdateReportRequest) edit {
	given := req.GetReport()
	return edit{asked: req, requestID: req.GetRequestId(), name: given.GetName(), etag: given.GetEtag(),
		etagField: "report.etag", verb: record.VerbAmend, reason: req.GetReason(), at: "report",
		do: func(ctx context.Context, from getter, r *pb.Report, x *examination) error {
			before, states := r.GetWorkplace(), maps.Clone(r.GetAnswers())
			src := proto.Clone(given).(*pb.Report)
			mask, harms := splitMask(req.GetUpdateMask(), src)
			if len(mask.GetPaths()) > 0 || len(req.GetUpdateMask().GetPaths()) == 0 {
				x.vs = append(x.vs, record.Apply(r, src, mask, amendable, "report")...)
			}
			x.vs = append(x.vs, amendHarms(r, harms)...)
			if len(x.vs) > 0 {
				return nil
			}
			if !slices.Contains(req.GetUpdateMask().GetPaths(), "answers") {
				replaceStates(r, states)
			}
			return s.reexamine(ctx, from, r, x, before)
		}}
}

// replaceStates drops the states that a report had before of items that have a
// value now: who reads a report, gives an item a value and sends all of it back
// sends the old state along. A state that is new with the amendment stays, and
// must fit.
func replaceStates(r *pb.Report, before map[string]pb.AnswerState) {
	for item, state := range r.GetAnswers() {
		if was, there := before[item]; there && was == state && answers.Has(r, item) {
			delete(r.Answers, item)
		}
	}
}

// splitMask takes harms out of what is applied field by field. Without a mask
// they are amended when they were sent.
func splitMask(mask *fieldmaskpb.FieldMask, src *pb.Report) (*fieldmaskpb.FieldMask, []*pb.Harm) {
	harms := src.GetHarms()
	src.Harms = nil
	if len(mask.GetPaths()) == 0 {
		return mask, harms
	}
	rest := slices.DeleteFunc(slices.Clone(mask.GetPaths()), func(p string) bool { return p == "harms" })
	if len(rest) == len(mask.GetPaths()) {
		harms = nil
	}
	return &fieldmaskpb.FieldMask{Paths: rest}, harms
}

// amendHarms replaces what describes a harm by what was sent for the same id.
// Outcomes, absences and restrictions have their own verbs, so that each is a
// step in the history: they may be sent as they were read, or left out.
func amendHarms(r *pb.Report, sent []*pb.Harm) fault.Violations {
	var vs fault.Violations
	seen := map[string]bool{}
	for i, h := range sent {
		at := index("report.harms", i)
		if seen[h.GetHarmId()] {
			vs.Add(at+".harm_id", "is sent twice; put what changes about one harm into one")
			continue
		}
		seen[h.GetHarmId()] = true
		k := slices.IndexFunc(r.GetHarms(), func(o *pb.Harm) bool { return o.GetHarmId() == h.GetHarmId() })
		if k < 0 {
			vs.Add(at+".harm_id", "is not a harm of this report; give the id of the one to amend, or add a new one with AddHarm")
			continue
		}
		old := r.Harms[k]
		own := proto.Clone(old).(*pb.Harm)
		own.OutcomeHistory, own.Absences, own.Restrictions, own.DeathDate = h.GetOutcomeHistory(), h.GetAbsences(), h.GetRestrictions(), h.GetDeathDate()
		for _, f := range []struct {
			field, cure string
			sent, same  bool
		}{
			{"outcome_history", "RecordOutcome", len(h.GetOutcomeHistory()) > 0, equalLists(old.GetOutcomeHistory(), own.GetOutcomeHistory())},
			{"absences", "RecordAbsence", len(h.GetAbsences()) > 0, equalLists(old.GetAbsences(), own.GetAbsences())},
			{"restrictions", "RecordAbsence", len(h.GetRestrictions()) > 0, equalLists(old.GetRestrictions(), own.GetRestrictions())},
			{"death_date", "RecordOutcome", h.GetDeathDate() != "", old.GetDeathDate() == h.GetDeathDate()},
		} {
			if f.sent && !f.same {
				vs.Add(at+"."+f.field, "cannot be changed here; use "+f.cure+", and leave it out or send it as it was read")
			}
		}
		old.Person, old.EmploymentGroup, old.AgeBand = h.GetPerson(), h.GetEmploymentGroup(), h.GetAgeBand()
		old.Description, old.Illness, old.Treatment = h.GetDescription(), h.GetIllness(), h.GetTreatment()
		old.Answers = h.GetAnswers()
	}
	return vs
}

func equalLists[M proto.Message](a, b []M) bool {
	return slices.EqualFunc(a, b, func(x, y M) bool { return proto.Equal(x, y) })
}

// reexamine checks a report as it would stand after a change, by the rules of
// the contract and by ours, and settles it.
func (s *Service) reexamine(ctx context.Context, from getter, r *pb.Report, x *examination, before string) error {
	for _, v := range s.Rules(r) {
		x.add(v.Field, v.Description)
	}
	if r.GetTellerMode() == pb.TellerMode_TELLER_MODE_ANONYMOUS && r.GetTellerRole() != 0 {
		x.add("teller_role", "cannot be kept for an anonymous report; leave it out")
	}
	moved := r.GetWorkplace() != before
	if moved && s.Tree.Has(r.GetWorkplace()) && !access.Sees(access.From(ctx), s.Tree, r.GetWorkplace()) {
		x.add("workplace", "is beyond what your role reaches; ask the adviser to move it")
	}
	if len(x.vs) > 0 {
		return nil
	}
	if moved {
		// It may have happened before the workplace closed.
		x.imported = true
	}
	if err := x.examine(ctx, from, r, moved); err != nil {
		return err
	}
	if len(x.vs) > 0 {
		return nil
	}
	settle(r, x.zone)
	return nil
}
