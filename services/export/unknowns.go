package export

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/answers"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// counted are the items whose missing values matter to a figure.
var counted = []struct {
	words string
	of    string // message
	item  string
}{
	{"Time of the event", "Report", "occur_time"},
	{"Worst credible outcome", "Report", "potential"},
	{"Task just before", "Report", "task_before"},
	{"What was done right away", "Report", "done_right_away"},
	{"Employment group of the person hurt", "Harm", "employment_group"},
	{"Treatment", "Harm", "treatment"},
	{"Age band", "Harm", "age_band"},
	{"Mechanism of incident", "Coding", "mechanism"},
	{"Breakdown agency", "Coding", "breakdown_agency"},
	{"Agency of injury", "Coding", "agency"},
	{"Nature of injury or disease", "Coding", "nature"},
	{"Bodily location", "Coding", "bodily_location"},
}

type unknownCounter struct {
	counts []*pb.UnknownCount
	byItem map[string]*pb.UnknownCount
}

func newUnknownCounter() *unknownCounter {
	c := &unknownCounter{byItem: map[string]*pb.UnknownCount{}}
	for _, it := range counted {
		u := &pb.UnknownCount{Item: it.words}
		c.counts = append(c.counts, u)
		c.byItem[it.of+"."+it.item] = u
	}
	return c
}

// add counts one item of one message in its state.
func (c *unknownCounter) add(of string, m proto.Message, item string) {
	u := c.byItem[of+"."+item]
	u.Total++
	switch answers.State(m, item) {
	case pb.AnswerState_ANSWER_STATE_KNOWN:
		u.Known++
	case pb.AnswerState_ANSWER_STATE_NOT_KNOWN:
		u.NotKnown++
	case pb.AnswerState_ANSWER_STATE_DOES_NOT_APPLY:
		u.DoesNotApply++
	default:
		u.NotAsked++
	}
}

// countReport counts the items of a report, its harms and its codings. A case
// without a coding counts as not asked in every facet: one per harm, or one
// for a report without harms.
func (s *Service) countReport(ctx context.Context, c *unknownCounter, name string) error {
	res, err := s.d.Log.Get(ctx, name)
	if err != nil {
		return fmt.Errorf("export: read report: %w", err)
	}
	r := &pb.Report{}
	if err := record.Read(res.Body, res.Revision, r); err != nil {
		return err
	}
	for _, it := range counted {
		if it.of == "Report" {
			c.add("Report", r, it.item)
		}
	}
	cases := []string{"report"}
	if len(r.GetHarms()) > 0 {
		cases = cases[:0]
	}
	for _, h := range r.GetHarms() {
		cases = append(cases, h.GetHarmId())
		for _, it := range counted {
			if it.of == "Harm" {
				c.add("Harm", h, it.item)
			}
		}
	}
	for _, id := range cases {
		coding := &pb.Coding{}
		res, err := s.d.Log.Get(ctx, name+"/codings/"+id)
		switch {
		case errors.Is(err, ledger.ErrNotFound):
		case err != nil:
			return fmt.Errorf("export: read coding: %w", err)
		default:
			if err := record.Read(res.Body, res.Revision, coding); err != nil {
				return err
			}
		}
		for _, it := range counted {
			if it.of == "Coding" {
				c.add("Coding", coding, it.item)
			}
		}
	}
	return nil
}
