package masking

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/mask"
	"fairlead/services/record"
)

// Covers covers reports, and what is said beside them, by the names of the house
// and by what somebody decided.
type Covers struct {
	*Names
	// history returns all versions of a resource; nil when only the newest can be
	// had.
	history func(ctx context.Context, name string) ([]ledger.Change, error)
}

// NewCovers returns covers over a log. Their names must be brought to its head.
func NewCovers(log Log) *Covers {
	c := &Covers{Names: NewNames(log)}
	if whole, ok := log.(interface {
		History(ctx context.Context, name string) ([]ledger.Change, error)
	}); ok {
		c.history = whole.History
	}
	return c
}

// told are the texts in which somebody told what happened: names are gathered
// from them. Search indexes no others.
func told(r *pb.Report) []*string {
	out := []*string{&r.Narrative, &r.Spot, &r.TaskBefore, &r.DoneRightAway, &r.WhoCouldBeHurt, &r.Damage}
	for _, h := range r.GetHarms() {
		out = append(out, &h.Description)
	}
	if r.Release != nil {
		out = append(out, &r.Release.Substance, &r.Release.StepsTaken)
	}
	if r.Origin != nil {
		out = append(out, &r.Origin.Title)
	}
	return out
}

// said are the texts beside them that are a report's own.
func said(r *pb.Report) []*string {
	out := []*string{&r.VoidReason, &r.ChangeReason}
	for _, h := range r.GetHarms() {
		for _, c := range h.GetOutcomeHistory() {
			out = append(out, &c.Reason)
		}
	}
	return out
}

func values(texts []*string) []string {
	out := make([]string, len(texts))
	for i, t := range texts {
		out[i] = *t
	}
	return out
}

// Cover returns a report as those beyond its circle may read it: a copy, or the
// report itself where nothing is covered. Give it whole: a name that stands in a
// text that the reader may not read is covered in those that they may.
func (c *Covers) Cover(ctx context.Context, r *pb.Report) (*pb.Report, error) {
	house := c.House()
	own := house.Own(values(told(r))...)
	decided, ok, err := c.decided(ctx, r, house, own)
	if err != nil {
		return nil, err
	}
	out := r
	change := func() {
		if out == r {
			out = proto.Clone(r).(*pb.Report)
		}
	}
	if ok && decided != r.GetNarrative() {
		change()
		out.Narrative = decided
	}
	for i, t := range told(r) {
		if covered := house.Cover(*t, own); covered != *t && (i > 0 || !ok) {
			change()
			*told(out)[i] = covered
		}
	}
	for i, t := range said(r) {
		if covered := house.Cover(*t, own); covered != *t {
			change()
			*said(out)[i] = covered
		}
	}
	for k, v := range r.GetOrigin().GetAttributes() {
		if covered := house.Cover(v, own); covered != v {
			change()
			out.Origin.Attributes[k] = covered
		}
	}
	return out, nil
}

// CoverBeside covers texts that are said beside a report, such as the caption of
// a photo or why something was amended, by the names of the house and by those
// that stand in any version of the report.
func (c *Covers) CoverBeside(ctx context.Context, report string, texts ...*string) error {
	house := c.House()
	own, err := c.ownOf(ctx, house, report)
	if err != nil {
		return err
	}
	for _, t := range texts {
		if *t != "" {
			*t = house.Cover(*t, own)
		}
	}
	return nil
}

// CoverPlain covers texts that belong to no one report.
func (c *Covers) CoverPlain(texts ...*string) {
	house := c.House()
	for _, t := range texts {
		if *t != "" {
			*t = house.Cover(*t, nil)
		}
	}
}

// ownOf gathers the names that stand in the versions of a report.
func (c *Covers) ownOf(ctx context.Context, house *mask.House, report string) (*mask.Own, error) {
	var versions []ledger.Change
	var err error
	if c.history != nil {
		versions, err = c.history(ctx, report)
	} else {
		var res ledger.Resource
		res, err = c.log.Get(ctx, report)
		versions = []ledger.Change{{Body: res.Body, Revision: res.Revision}}
	}
	if errors.Is(err, ledger.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("masking: versions of a report: %w", err)
	}
	var texts []string
	newest := &pb.Report{}
	for _, v := range versions {
		if len(v.Body) == 0 {
			continue
		}
		newest = &pb.Report{}
		if err := record.Read(v.Body, v.Revision, newest); err != nil {
			return nil, err
		}
		texts = append(texts, values(told(newest))...)
	}
	own := house.Own(texts...)
	_, _, err = c.decided(ctx, newest, house, own)
	return own, err
}

// decided returns the text that somebody decided on for the story as it stands,
// if somebody did. What they covered is added to own, also where they covered it
// in the story as it stood before it was amended.
func (c *Covers) decided(ctx context.Context, r *pb.Report, house *mask.House, own *mask.Own) (string, bool, error) {
	res, err := c.log.Get(ctx, nameOf(r.GetName()))
	if errors.Is(err, ledger.ErrNotFound) {
		return "", false, nil
	}
	if err != nil {
		return "", false, fmt.Errorf("masking: what was decided: %w", err)
	}
	m := &pb.MaskedText{}
	if err := record.Read(res.Body, res.Revision, m); err != nil || m.GetNarrative() == "" {
		return "", false, err
	}
	if m.GetNarrativeSha256() == sum(r) {
		own.Decided(house, r.GetNarrative(), m.GetNarrative())
		return m.GetNarrative(), true, nil
	}
	was, err := c.log.GetAt(ctx, r.GetName(), res.Seq)
	if err != nil || len(was.Body) == 0 {
		return "", false, nil //nolint:nilerr // it is gone, and with it what was covered in it
	}
	before := &pb.Report{}
	if err := record.Read(was.Body, was.Revision, before); err != nil {
		return "", false, err
	}
	if m.GetNarrativeSha256() == sum(before) {
		own.Decided(house, before.GetNarrative(), m.GetNarrative())
	}
	return "", false, nil
}

func nameOf(report string) string { return report + "/masked" }

func sum(r *pb.Report) string {
	h := sha256.Sum256([]byte(r.GetName() + "\n" + r.GetNarrative()))
	return hex.EncodeToString(h[:])
}
