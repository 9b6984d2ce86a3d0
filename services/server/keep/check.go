package keep

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"fairlead/services/blob"
	"fairlead/services/facts"
	"fairlead/services/ledger"
	"fairlead/services/masking"
	"fairlead/services/moment"
	"fairlead/services/retention"
	"fairlead/services/search"
	"fairlead/services/server"
	"fairlead/services/workplace"
)

// CheckPlan says what to check beside the ledger itself.
type CheckPlan struct {
	// Data is the folder that holds the attachments and the search index;
	// empty for a single ledger file.
	Data string
	// Files keeps the attachments; nil is the folder in Data.
	Files blob.Store
	// Backup says that it is a copy, which has no index.
	Backup bool
	// Codes are the code tables, which the figures ask.
	Codes facts.CodeTree
	// Checkpoint is the text of a checkpoint that was noted elsewhere, Key
	// the public key that it must be signed with; nil for none.
	Checkpoint, Key []byte
}

// Part is what a finding concerns.
type Part string

// The parts of a house that are checked.
const (
	PartLog         Part = "log"
	PartCheckpoint  Part = "checkpoint"
	PartErasures    Part = "erasures"
	PartFigures     Part = "figures"
	PartSearch      Part = "search"
	PartAttachments Part = "attachments"
	PartBackup      Part = "backup"
)

// Finding is one thing that does not fit. It holds neither what was told nor
// the name of a person.
type Finding struct {
	Part Part `json:"part"`
	// Change and Name say where, when that is known.
	Change int64  `json:"change,omitempty"`
	Name   string `json:"name,omitempty"`
	What   string `json:"what"`
}

// String writes a finding on one line.
func (f Finding) String() string {
	return string(f.Part) + ": " + problem(ledger.Problem{Seq: f.Change, Name: f.Name, What: f.What})
}

// maxFindings bounds the findings of one part.
const maxFindings = ledger.MaxProblems

// Checked is the result of a check.
type Checked struct {
	Changes     int64  `json:"changes"`
	Resources   int64  `json:"resources"`
	Erased      int64  `json:"erased"`
	Head        string `json:"head_hash"`
	Reports     int64  `json:"reports"`
	People      int64  `json:"persons_hurt"`
	Hours       int64  `json:"hours_rows"`
	Attachments int    `json:"attachments"`
	// Findings are problems, the first broken entry of the log first.
	Findings []Finding `json:"problems"`
	// Unchecked says what could not be checked, and why.
	Unchecked []Finding `json:"not_checked"`
	// Notes say what is worth knowing and not wrong.
	Notes []Finding `json:"notes"`
}

// Sound says that everything was checked and nothing was found.
func (c *Checked) Sound() bool { return len(c.Findings) == 0 && len(c.Unchecked) == 0 }

// First is the first broken entry of the log, or, where the log is whole, the
// first finding; nil when there is none.
func (c *Checked) First() *Finding {
	var first *Finding
	for i := range c.Findings {
		f := &c.Findings[i]
		if f.Part == PartLog && f.Change > 0 && (first == nil || f.Change < first.Change) {
			first = f
		}
	}
	if first == nil && len(c.Findings) > 0 {
		first = &c.Findings[0]
	}
	return first
}

func (c *Checked) found(f Finding) {
	n := 0
	for _, have := range c.Findings {
		if have.Part == f.Part {
			n++
		}
	}
	if n < maxFindings {
		c.Findings = append(c.Findings, f)
	}
}

// Check verifies a ledger and everything that hangs on it, and changes nothing.
// The service may be running on it. The log itself is looked at in one
// transaction; the rest is held to the log as it stands after the search index
// was copied, whatever is written meanwhile.
func Check(ctx context.Context, l ledger.Ledger, p CheckPlan) (*Checked, error) {
	out := &Checked{Findings: []Finding{}, Unchecked: []Finding{}, Notes: []Finding{}}
	report, err := l.Verify(ctx)
	if err != nil {
		return nil, err
	}
	out.Changes, out.Resources, out.Erased, out.Head = report.Changes, report.Resources, report.Erased, hex.EncodeToString(report.HeadHash[:])
	for _, problem := range report.Problems {
		out.found(Finding{PartLog, problem.Seq, problem.Name, problem.What})
	}
	if report.Truncated {
		out.Notes = append(out.Notes, Finding{Part: PartLog, What: fmt.Sprintf("there are more problems than the %d that are listed", ledger.MaxProblems)})
	}
	if p.Checkpoint != nil {
		c, err := CheckCheckpoint(ctx, l, p.Checkpoint, p.Key)
		if err != nil {
			out.found(Finding{PartCheckpoint, c.Seq, "", err.Error()})
		} else {
			out.Notes = append(out.Notes, Finding{Part: PartCheckpoint, Change: c.Seq, What: "the log has the changes that were signed"})
		}
	}
	c := checker{ledger: l, plan: p, out: out}
	for _, part := range []struct {
		part Part
		do   func(context.Context) error
	}{
		{PartErasures, c.erasures}, {PartFigures, c.projections}, {PartAttachments, c.attachments},
	} {
		err := part.do(ctx)
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if err != nil {
			out.Unchecked = append(out.Unchecked, Finding{Part: part.part, What: err.Error()})
		}
	}
	return out, nil
}

type checker struct {
	ledger ledger.Ledger
	plan   CheckPlan
	out    *Checked
}

// erasures looks for what was erased without a word: somebody with the database
// could do that, and the chain alone would not show it.
func (c *checker) erasures(ctx context.Context) error {
	list, err := Erasures(ctx, c.ledger)
	if err != nil {
		return err
	}
	for _, e := range list {
		if e.quiet() {
			c.out.found(Finding{PartErasures, e.Change, e.Name, "what was said is gone, and no later change says that it was erased"})
		}
	}
	return nil
}

// projections builds the tree and the figures from the log, and holds the
// figures to a plain count of the resources and the index to the reports.
func (c *checker) projections(ctx context.Context) error {
	scratch, err := os.MkdirTemp("", "fairlead-check-*")
	if err != nil {
		return err
	}
	defer os.RemoveAll(scratch)
	index := filepath.Join(scratch, "index")
	// Copied before the head is read: the index never runs ahead of it then.
	var copied error
	if c.plan.Data == "" {
		copied = fs.ErrNotExist
	} else if !c.plan.Backup {
		copied = search.Copy(ctx, filepath.Join(c.plan.Data, server.IndexFolder), index)
	}
	head, err := c.ledger.Head(ctx)
	if err != nil {
		return err
	}
	log := moment.NewLog(retention.NewKept(c.ledger), moment.Point{Seq: head.Seq, Stamp: head.Time, Count: time.Now()})
	tree := workplace.NewTree(log, time.Now)
	if err := tree.CatchUp(ctx); err != nil {
		return fmt.Errorf("the tree of workplaces cannot be built from the log: %w", err)
	}
	built := facts.New(log, tree, c.plan.Codes)
	if err := built.CatchUp(ctx); err != nil {
		return fmt.Errorf("the figures cannot be built from the log: %w", err)
	}
	if err := c.figures(ctx, log, built); err != nil {
		return err
	}
	switch {
	case c.plan.Backup:
		return nil
	case errors.Is(copied, fs.ErrNotExist):
		c.out.Notes = append(c.out.Notes, Finding{Part: PartSearch, What: "there is no index here; a server makes one when it starts"})
		return nil
	case errors.Is(copied, search.ErrRestless):
		c.out.Unchecked = append(c.out.Unchecked, Finding{Part: PartSearch, What: copied.Error()})
		return nil
	case copied != nil:
		return copied
	}
	covers := masking.NewCovers(log)
	if err := covers.CatchUp(ctx); err != nil {
		return fmt.Errorf("the names that are covered cannot be read from the log: %w", err)
	}
	in, err := search.Inspect(ctx, index, log, tree, covers)
	if err != nil {
		return err
	}
	if in.Stale != "" {
		c.out.Notes = append(c.out.Notes, Finding{Part: PartSearch, What: "the index was not compared: " + in.Stale + "; the next start makes it anew"})
	}
	for _, what := range in.Problems {
		c.out.found(Finding{Part: PartSearch, What: what})
	}
	return nil
}

// attachments reads the bytes of every attachment.
func (c *checker) attachments(ctx context.Context) (err error) {
	if c.plan.Data == "" && c.plan.Files == nil {
		_, n, err := needs(ctx, c.ledger)
		if n > 0 {
			c.out.Unchecked = append(c.out.Unchecked, Finding{Part: PartAttachments, What: fmt.Sprintf("%d photos and sounds are not in a single ledger file", n)})
		}
		return err
	}
	var lost []Finding
	var named []string
	bad := func(n need, err error) error {
		lost = append(lost, Finding{PartAttachments, 0, n.attachment, fmt.Sprintf("file %s: %v", n.SHA256, err)})
		named = append(named, n.SHA256)
		return nil
	}
	if c.plan.Files == nil {
		c.out.Attachments, err = attachmentsOf(ctx, c.plan.Data, c.ledger, bad)
	} else {
		var list []need
		if list, c.out.Attachments, err = needs(ctx, c.ledger); err == nil {
			err = filesIn(ctx, c.plan.Files, list, bad)
		}
	}
	if err != nil || len(lost) == 0 {
		return err
	}
	// What was removed while the check ran is not lost.
	list, _, err := needs(ctx, c.ledger)
	if err != nil {
		return err
	}
	still := map[string]bool{}
	for _, n := range list {
		still[n.SHA256] = true
	}
	for i, f := range lost {
		if still[named[i]] {
			c.out.found(f)
		}
	}
	return nil
}
