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

// read reads a resource as it stood at a number; ok is false when it was not
// there, or is no longer held.
func read(ctx context.Context, log Log, seq int64, name string, m proto.Message) (ok bool, err error) {
	res, err := log.GetAt(ctx, name, seq)
	switch {
	case errors.Is(err, ledger.ErrNotFound), err == nil && len(res.Body) == 0:
		return false, nil
	case err != nil:
		return false, fmt.Errorf("export: read %s: %w", res.Kind, err)
	}
	return true, record.Read(res.Body, res.Revision, m)
}

// countReport counts the items of a report, its harms and its codings. A case
// without a coding counts as not asked in every facet: one per harm, or one
// for a report without harms.
func countReport(ctx context.Context, log Log, seq int64, c *unknownCounter, name string) error {
	r := &pb.Report{}
	if ok, err := read(ctx, log, seq, name, r); err != nil || !ok {
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
		if _, err := read(ctx, log, seq, name+"/codings/"+id, coding); err != nil {
			return err
		}
		for _, it := range counted {
			if it.of == "Coding" {
				c.add("Coding", coding, it.item)
			}
		}
	}
	return nil
}
