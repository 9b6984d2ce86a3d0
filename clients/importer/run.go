package importer

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"fairlead/clients/sheet"
	pb "fairlead/proto/gen/fairlead/v1"
)

// Bounds of one batch: what the contract takes, and well under the size of one
// message that a service takes.
const (
	batchRecords = 500
	batchBytes   = 2 << 20
)

// Send hands a batch over and returns what became of each record, in order.
type Send func(ctx context.Context, records []*pb.ImportRecord) ([]*pb.ImportResult, error)

// Counts says how far an import is.
type Counts struct {
	// Rows read so far, blank ones left out.
	Rows int64
	// Created were stored, or would be when only checking.
	Created int64
	// Unchanged were there already.
	Unchanged int64
	// Refused were not taken; each is in the file of errors.
	Refused int64
	// Skipped were acknowledged in an earlier run.
	Skipped int64
}

// Job is one import.
type Job struct {
	// Mapping says how rows become records.
	Mapping *Mapping
	// Zone returns the time zone of a workplace.
	Zone Zone
	// Send hands a batch over.
	Send Send
	// Errors takes what is wrong; nil drops it.
	Errors *ErrorFile
	// State remembers how far it came; nil remembers nothing.
	State *State
	// Progress hears the counts after each batch; nil is deaf.
	Progress func(Counts)
}

// Result is what came of an import.
type Result struct {
	Counts
	// Unused are columns that the mapping does not look at, by file.
	Unused map[string][]string
	// Uncrossed counts codes and keywords that a crosswalk does not know.
	Uncrossed map[string]int
}

// Run imports files in order. It returns what was done also with an error; run
// again with the same State to go on.
func (j *Job) Run(ctx context.Context, files []string) (Result, error) {
	r := Result{Unused: map[string][]string{}, Uncrossed: map[string]int{}}
	ids := seen{ids: map[uuid.UUID]place{}}
	for _, path := range files {
		if err := j.file(ctx, path, &ids, &r); err != nil {
			return r, err
		}
	}
	return r, nil
}

// seen remembers the ids of a run.
type seen struct {
	files []string
	ids   map[uuid.UUID]place
}

// place is where an id was first seen: number of the file, and line.
type place struct{ file, line int32 }

func (j *Job) file(ctx context.Context, path string, ids *seen, r *Result) error {
	name := filepath.Base(path)
	ids.files = append(ids.files, name)
	hash, err := hashFile(path)
	if err != nil {
		return err
	}
	in, err := open(path)
	if err != nil {
		return err
	}
	defer in.Close()
	table, err := sheet.New(in, sheet.Options{Delimiter: j.Mapping.delimiter, Encoding: j.Mapping.encoding})
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	rows, err := j.Mapping.Bind(table.Header(), j.Zone)
	if err != nil {
		return fmt.Errorf("the mapping and %s do not fit together:\n%w", name, err)
	}
	if len(rows.Unused) > 0 {
		r.Unused[name] = rows.Unused
	}
	done, err := j.State.begin(hash, j.Errors)
	if err != nil {
		return err
	}
	err = j.rows(ctx, table, rows, &fileJob{name: name, hash: hash, done: done, ids: ids, r: r})
	for k, n := range rows.Uncrossed {
		r.Uncrossed[k] += n
	}
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

// fileJob is the import of one file under way.
type fileJob struct {
	name, hash string
	done       int // last line acknowledged in an earlier run
	ids        *seen
	r          *Result
	batch      []*pb.ImportRecord
	held       []Problem // of rows since the last batch
	bytes      int
	last       int // last line read
}

// rows reads to the end, and sends a batch whenever one is full.
func (j *Job) rows(ctx context.Context, table *sheet.Reader, rows *Reader, f *fileJob) error {
	for {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("stopped after line %d: %w", f.last, err)
		}
		row, err := table.Next()
		var bad *sheet.RowError
		switch {
		case errors.Is(err, io.EOF):
			return j.flush(ctx, rows, f)
		case errors.As(err, &bad):
			f.last = bad.Line
			f.r.Rows++
			if bad.Line <= f.done {
				f.r.Skipped++
				continue
			}
			f.r.Refused++
			f.held = append(f.held, Problem{Line: bad.Line, Cure: bad.Problem})
			continue
		case err != nil:
			return err
		}
		f.last = row.Line
		f.r.Rows++
		rec, problems := rows.Record(row)
		if row.Line <= f.done {
			// Read all the same: its id counts against later rows.
			if rec != nil {
				f.know(rec, row.Line)
			}
			f.r.Skipped++
			continue
		}
		if rec != nil {
			problems = f.know(rec, row.Line)
		}
		if len(problems) > 0 {
			f.r.Refused++
			f.held = append(f.held, problems...)
			continue
		}
		f.batch = append(f.batch, rec)
		if f.bytes += proto.Size(rec); len(f.batch) == batchRecords || f.bytes >= batchBytes {
			if err := j.flush(ctx, rows, f); err != nil {
				return err
			}
		}
	}
}

// know remembers the id of a record, and complains about one seen before: the
// service would leave the second row out without a word.
func (f *fileJob) know(rec *pb.ImportRecord, line int) []Problem {
	o := rec.GetReport().GetOrigin()
	id := reportID(o.GetDataset(), o.GetSourceId())
	if first, again := f.ids.ids[id]; again {
		return []Problem{{Line: line, ID: o.GetSourceId(), Cure: fmt.Sprintf(
			"the id stands on line %d of %s already; one id is one record: correct one of the two",
			first.line, f.ids.files[first.file])}}
	}
	f.ids.ids[id] = place{int32(len(f.ids.files) - 1), int32(line)}
	return nil
}

// flush sends what is held, writes errors down, and then remembers that
// everything up to the last line is done.
func (j *Job) flush(ctx context.Context, rows *Reader, f *fileJob) error {
	if len(f.batch) > 0 {
		results, err := j.Send(ctx, f.batch)
		if err != nil {
			return fmt.Errorf("stopped before line %d: %w", f.batch[0].GetSourceLine(), err)
		}
		if len(results) != len(f.batch) {
			return fmt.Errorf("stopped before line %d: the service answered for %d records of %d", f.batch[0].GetSourceLine(), len(results), len(f.batch))
		}
		for i, res := range results {
			switch res.GetStatus() {
			case pb.ImportStatus_IMPORT_STATUS_CREATED:
				f.r.Created++
			case pb.ImportStatus_IMPORT_STATUS_UNCHANGED:
				f.r.Unchanged++
			default:
				f.r.Refused++
				f.held = append(f.held, rows.refused(f.batch[i], res)...)
			}
		}
	}
	if err := j.Errors.write(f.name, f.held); err != nil {
		return err
	}
	f.batch, f.held, f.bytes = nil, nil, 0
	if err := j.State.acknowledge(f.hash, f.last, j.Errors); err != nil {
		return err
	}
	if j.Progress != nil {
		j.Progress(f.r.Counts)
	}
	return nil
}

// refused turns what the service said about a record into problems of a row.
func (r *Reader) refused(rec *pb.ImportRecord, res *pb.ImportResult) []Problem {
	at := Problem{Line: int(rec.GetSourceLine()), ID: rec.GetReport().GetOrigin().GetSourceId()}
	if len(res.GetViolations()) == 0 {
		at.Cure = "was refused by the service, which did not say why"
		return []Problem{at}
	}
	var out []Problem
	for _, v := range res.GetViolations() {
		p := at
		p.Column, p.Cure = r.m.columnOf(v.GetField()), v.GetDescription()
		if p.Column == "" {
			p.Cure = v.GetField() + ": " + p.Cure
		}
		out = append(out, p)
	}
	return out
}
