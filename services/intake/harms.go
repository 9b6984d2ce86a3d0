package intake

import (
	"context"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/record"
)

// Most of what one report and one harm can hold, as the contract says.
const (
	maxHarms    = 50
	maxOutcomes = 100
	maxPeriods  = 100
)

// addition adds a person hurt to a report.
func (s *Service) addition(req *pb.AddHarmRequest) edit {
	return edit{asked: req, requestID: req.GetRequestId(), name: req.GetName(), etag: req.GetEtag(), etagField: "etag",
		verb: record.VerbAddHarm,
		do: func(ctx context.Context, from getter, r *pb.Report, x *examination) error {
			if req.GetHarm() == nil {
				x.vs.Add("harm", "is needed")
				return nil
			}
			if len(r.GetHarms()) >= maxHarms {
				x.vs.Add("harm", "is one too many: a report holds "+strconv.Itoa(maxHarms)+"; file a second report and link the two")
				return nil
			}
			h := proto.Clone(req.GetHarm()).(*pb.Harm)
			h.Outcome = 0
			if len(h.GetOutcomeHistory()) > 1 {
				x.vs.Add("harm.outcome_history", "holds more than one entry; give the outcome as it stands, and record later changes one by one")
			}
			for _, c := range h.GetOutcomeHistory() {
				c.RecordTime, c.Recorder = timestamppb.New(x.now), access.From(ctx).Name
			}
			r.Harms = append(r.Harms, h)
			nameHarms(r.Harms)
			inHarm := func(field string) string { return "harm." + field }
			if err := s.resettle(ctx, from, r, x, len(r.Harms)-1, inHarm); err != nil || len(x.vs) > 0 {
				return err
			}
			return s.fillGroups(ctx, from, r)
		}}
}

// newOutcome adds a step to the history of a harm's outcome.
func (s *Service) newOutcome(req *pb.RecordOutcomeRequest) edit {
	c := req.GetChange()
	return edit{asked: req, requestID: req.GetRequestId(), name: req.GetName(), etag: req.GetEtag(), etagField: "etag",
		verb: record.VerbOutcome, reason: c.GetReason(),
		do: func(ctx context.Context, from getter, r *pb.Report, x *examination) error {
			i, err := harmOf(r, req.GetHarmId())
			if err != nil {
				return err
			}
			if c == nil {
				x.vs.Add("change", "is needed: the outcome from now on")
				return nil
			}
			h := r.Harms[i]
			death := c.GetOutcome() == pb.OutcomeClass_OUTCOME_CLASS_DEATH
			if req.GetDeathDate() != "" && !death {
				x.vs.Add("death_date", "is for a death only; leave it out, or give the outcome DEATH")
				return nil
			}
			if n := len(h.GetOutcomeHistory()); n > 0 {
				last := h.GetOutcomeHistory()[n-1]
				if last.GetOutcome() == c.GetOutcome() && last.GetEffectiveDate() == c.GetEffectiveDate() &&
					(req.GetDeathDate() == "" || req.GetDeathDate() == h.GetDeathDate()) {
					return nil // It stands so already.
				}
				if n >= maxOutcomes {
					x.vs.Add("change", "is one too many: a harm keeps "+strconv.Itoa(maxOutcomes)+" changes; void the report and file it anew")
					return nil
				}
			}
			h.OutcomeHistory = append(h.OutcomeHistory, &pb.OutcomeChange{Outcome: c.GetOutcome(), EffectiveDate: c.GetEffectiveDate(),
				Reason: c.GetReason(), RecordTime: timestamppb.New(x.now), Recorder: access.From(ctx).Name})
			switch {
			case !death:
				h.DeathDate = ""
			case req.GetDeathDate() != "":
				h.DeathDate = req.GetDeathDate()
			}
			delete(h.Answers, "outcome")
			return s.resettle(ctx, from, r, x, i, func(field string) string {
				if field == "death_date" {
					return field
				}
				return "change." + lastStep(field)
			})
		}}
}

// newAbsence adds a period away or on restricted duties, or replaces the one
// with the same first day.
func (s *Service) newAbsence(req *pb.RecordAbsenceRequest) edit {
	a := req.GetAbsence()
	return edit{asked: req, requestID: req.GetRequestId(), name: req.GetName(), etag: req.GetEtag(), etagField: "etag",
		verb: record.VerbAbsence,
		do: func(ctx context.Context, from getter, r *pb.Report, x *examination) error {
			i, err := harmOf(r, req.GetHarmId())
			if err != nil {
				return err
			}
			if a == nil {
				x.vs.Add("absence", "is needed")
				return nil
			}
			h := r.Harms[i]
			list := &h.Absences
			item := "absences"
			if req.GetRestrictedDuties() {
				list, item = &h.Restrictions, "restrictions"
			}
			k := slices.IndexFunc(*list, func(o *pb.Absence) bool { return o.GetFirstDate() == a.GetFirstDate() })
			switch {
			case k >= 0:
				(*list)[k] = proto.Clone(a).(*pb.Absence)
			case len(*list) >= maxPeriods:
				x.vs.Add("absence", "is one too many: a harm keeps "+strconv.Itoa(maxPeriods)+" periods; join periods that touch")
				return nil
			default:
				*list = append(*list, proto.Clone(a).(*pb.Absence))
			}
			delete(h.Answers, item)
			byFirstDate(*list)
			return s.resettle(ctx, from, r, x, i, func(field string) string { return "absence." + lastStep(field) })
		}}
}

func harmOf(r *pb.Report, id string) (int, error) {
	i := slices.IndexFunc(r.GetHarms(), func(h *pb.Harm) bool { return h.GetHarmId() == id })
	if i < 0 {
		return 0, fault.NotFound(r.GetName() + "/harms/" + id)
	}
	return i, nil
}

// lastStep returns what comes after the last dot of a path.
func lastStep(path string) string { return path[strings.LastIndexByte(path, '.')+1:] }

// resettle checks one harm of a report as it would stand, and settles the
// report. A change may have given a value to an item that had a state before.
// sent turns the path of what is wrong within the harm into the one that the
// caller sent.
func (s *Service) resettle(ctx context.Context, from getter, r *pb.Report, x *examination, i int, sent func(field string) string) error {
	const at = "h.harms[0]."
	one := &pb.Report{Harms: []*pb.Harm{r.Harms[i]}, OccurTime: r.GetOccurTime()}
	y := &examination{s: s, now: x.now, zone: x.zone, at: "h"}
	if err := y.harms(ctx, from, one); err != nil {
		return err
	}
	for _, v := range y.vs {
		x.vs.Add(sent(strings.TrimPrefix(v.Field, at)), v.Description)
	}
	for k, h := range r.Harms {
		if k != i && h.GetHarmId() == r.Harms[i].GetHarmId() {
			x.vs.Add("harm.harm_id", "is used in this report already; give another, or leave it out")
		}
	}
	if len(x.vs) > 0 {
		return nil
	}
	settle(r, x.zone)
	return nil
}
