package intake

import (
	"context"
	"errors"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/answers"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// entry is one record of an import: what is to be stored, or what is wrong.
type entry struct {
	result  *pb.ImportResult
	report  *pb.Report
	codings []*pb.Coding
	// source is the key under which one record of a data set is stored once.
	source string
	// named says that the record gave the report its name.
	named bool
}

// importBatch stores the records of a batch that can be stored, in one write.
// Everything that can be wrong with a record is found before the write begins;
// within it a record is only found to be here already, so that no record can
// undo its neighbours.
func (s *Service) importBatch(ctx context.Context, req *pb.ImportReportsRequest) (*pb.ImportReportsResponse, error) {
	entries := make([]*entry, 0, len(req.GetRecords()))
	batch := map[string]bool{}
	for _, rec := range req.GetRecords() {
		e, err := s.entryOf(ctx, rec, batch)
		if err != nil {
			return nil, err
		}
		if e.report != nil {
			batch[e.report.GetName()] = true
		}
		entries = append(entries, e)
	}
	if req.GetValidateOnly() {
		return s.previewBatch(ctx, entries)
	}
	asked, err := record.Request(access.From(ctx).Name, "", &pb.ImportReportsRequest{})
	if err != nil {
		return nil, err
	}
	var out *pb.ImportReportsResponse
	receipt, err := s.Ledger.Write(ctx, asked, func(ctx context.Context, tx ledger.Tx) error {
		out = &pb.ImportReportsResponse{}
		for _, e := range entries {
			result, err := storeEntry(ctx, tx, e)
			if err != nil {
				return err
			}
			out.Results = append(out.Results, result)
		}
		return nil
	})
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	out.SequenceNumber = receipt.Seq
	return out, nil
}

// entryOf checks one record.
func (s *Service) entryOf(ctx context.Context, rec *pb.ImportRecord, batch map[string]bool) (*entry, error) {
	e := &entry{result: &pb.ImportResult{SourceLine: rec.GetSourceLine()}}
	x := &examination{s: s, now: s.Clock(), at: "report", imported: true, batch: batch}
	if err := s.examineRecord(ctx, x, e, rec); err != nil {
		return nil, err
	}
	if len(x.vs) == 0 {
		e.result.Status, e.result.Report = pb.ImportStatus_IMPORT_STATUS_CREATED, e.report.GetName()
		return e, nil
	}
	e.report, e.codings = nil, nil
	e.refuse(x.vs)
	return e, nil
}

func (e *entry) refuse(vs fault.Violations) {
	e.result.Status, e.result.Report = pb.ImportStatus_IMPORT_STATUS_REFUSED, ""
	for _, v := range vs {
		e.result.Violations = append(e.result.Violations, &pb.ImportViolation{Field: v.Field, Description: v.Description})
	}
}

func (s *Service) examineRecord(ctx context.Context, x *examination, e *entry, rec *pb.ImportRecord) error {
	if rec.GetReport() == nil {
		x.vs.Add("report", "is needed")
		return nil
	}
	r := proto.Clone(rec.GetReport()).(*pb.Report)
	e.report, e.named = r, r.GetName() != ""
	if blank(r.GetNarrative()) {
		x.add("narrative", "is needed: a record that tells nothing cannot be searched, coded or learnt from; leave it out of the file, or take the text from another column")
	}
	for _, v := range s.Rules(r) {
		if v.Field != "narrative" || !blank(r.GetNarrative()) {
			x.add(v.Field, v.Description)
		}
	}
	if r.GetOrigin() == nil {
		x.add("origin", "is needed: dataset and source_id say which record this is, so that it is imported once")
	} else if key := r.GetOrigin().GetDataset() + "/" + r.GetOrigin().GetSourceId(); ledger.CheckClaim(record.SpaceSource, key) == nil {
		e.source = key
	} else if len(x.vs) == 0 {
		x.add("origin.source_id", "is too long")
	}
	if len(x.vs) > 0 {
		// Fields that are not what they should be make the checks between
		// fields meaningless.
		return nil
	}
	if !access.Sees(access.From(ctx), s.Tree, r.GetWorkplace()) {
		x.add("workplace", "is beyond what your role reaches; import it as somebody whose role does")
		return nil
	}
	if err := s.knows(ctx, r.GetWorkplace()); err != nil {
		return err
	}
	if err := s.ready(ctx, x, s.Ledger, r); err != nil {
		return err
	}
	s.stamp(&filing{report: r, actor: access.From(ctx).Name}, x.now)
	return s.codingsOf(ctx, x, e, rec)
}

// codingsOf checks the codings of a record.
func (s *Service) codingsOf(ctx context.Context, x *examination, e *entry, rec *pb.ImportRecord) error {
	harms := map[string]bool{}
	for _, h := range e.report.GetHarms() {
		harms[h.GetHarmId()] = true
	}
	seen := map[string]bool{}
	for i, given := range rec.GetCodings() {
		at := index("codings", i)
		if given == nil {
			x.vs.Add(at, "is empty; leave it out")
			continue
		}
		c := proto.Clone(given).(*pb.Coding)
		c.Name, c.Etag = "", ""
		found := len(x.vs)
		for _, v := range s.Rules(c) {
			x.vs.Add(at+"."+v.Field, v.Description)
		}
		x.vs = append(x.vs, answers.Check(c, at)...)
		id := c.GetHarmId()
		switch {
		case id != "" && !harms[id]:
			x.vs.Add(at+".harm_id", "is not a harm of this record; leave it out to code the record as a whole")
		case seen[id]:
			x.vs.Add(at+".harm_id", "is coded twice; keep one coding for each harm, and one for the record as a whole")
		case s.Codes == nil:
			x.vs.Add(at, "cannot be checked here; leave codings out")
		case c.GetNature() == "" && c.GetBodilyLocation() == "" && c.GetMechanism() == "" && c.GetBreakdownAgency() == "" && c.GetAgency() == "":
			x.vs.Add(at, "has no code; give at least one, or leave it out")
		}
		seen[id] = true
		if len(x.vs) > found {
			continue
		}
		for _, v := range s.Codes.Check(ctx, c) {
			x.vs.Add(strings.TrimSuffix(at+"."+v.Field, "."), v.Description)
		}
		answers.Normalise(c)
		if id == "" {
			id = codingOfReport
		}
		c.Name = e.report.GetName() + "/codings/" + id
		c.Coder, c.CodeTime = access.From(ctx).Name, timestamppb.New(x.now)
		e.codings = append(e.codings, c)
	}
	return nil
}

// claims tells who holds a key, inside a write or outside.
type claims interface {
	Claimed(ctx context.Context, space, key string) (string, error)
}

// heldBy returns the report that the record was imported as before. What was
// taken once is left as it is, whatever would be said of it today.
func heldBy(ctx context.Context, from claims, e *entry) (string, error) {
	if e.source == "" {
		return "", nil
	}
	name, err := from.Claimed(ctx, record.SpaceSource, e.source)
	if errors.Is(err, ledger.ErrNotFound) {
		return "", nil
	}
	return name, err
}

// storeEntry stores one record, unless it is here already, and returns what
// became of it. It writes nothing before it has found that nothing is in the
// way.
func storeEntry(ctx context.Context, tx ledger.Tx, e *entry) (*pb.ImportResult, error) {
	if e.report == nil || e.named {
		holder, err := heldBy(ctx, tx, e)
		if err != nil {
			return nil, err
		}
		if holder != "" {
			return unchanged(e, holder), nil
		}
	}
	result := proto.Clone(e.result).(*pb.ImportResult)
	if e.report == nil {
		return result, nil
	}
	if e.named {
		if _, err := tx.Get(ctx, e.report.GetName()); !errors.Is(err, ledger.ErrNotFound) {
			if err != nil {
				return nil, err
			}
			return nameTaken(result), nil
		}
	}
	// A name that was minted a moment ago is nobody's: to claim the record is
	// to ask whether it is here, in one step.
	err := tx.Claim(ctx, record.SpaceSource, e.source, e.report.GetName())
	var held *ledger.ClaimedError
	if errors.As(err, &held) {
		return unchanged(e, held.Name), nil
	}
	if err != nil {
		return nil, err
	}
	if err := store(ctx, tx, e.report, record.VerbImport); err != nil {
		return nil, err
	}
	for _, c := range e.codings {
		p, err := record.Put(c, c.GetName(), record.KindCoding, record.VerbImport, ledger.Absent)
		if err != nil {
			return nil, err
		}
		if _, err := tx.Put(ctx, p); err != nil {
			return nil, err
		}
	}
	return result, nil
}

func unchanged(e *entry, holder string) *pb.ImportResult {
	return &pb.ImportResult{SourceLine: e.result.GetSourceLine(), Status: pb.ImportStatus_IMPORT_STATUS_UNCHANGED, Report: holder}
}

func nameTaken(result *pb.ImportResult) *pb.ImportResult {
	result.Status, result.Report = pb.ImportStatus_IMPORT_STATUS_REFUSED, ""
	result.Violations = []*pb.ImportViolation{{Field: "report.name", Description: "belongs to another report; leave it out to get a new one"}}
	return result
}

// previewBatch answers a check of a batch.
func (s *Service) previewBatch(ctx context.Context, entries []*entry) (*pb.ImportReportsResponse, error) {
	out := &pb.ImportReportsResponse{}
	sources, names := map[string]string{}, map[string]bool{}
	for _, e := range entries {
		holder, err := heldBy(ctx, s.Ledger, e)
		if err != nil {
			return nil, err
		}
		first, twice := sources[e.source]
		switch {
		case holder != "":
			out.Results = append(out.Results, unchanged(e, holder))
			continue
		case e.report != nil && twice:
			out.Results = append(out.Results, unchanged(e, first))
			continue
		}
		result := e.result
		out.Results = append(out.Results, result)
		switch {
		case e.report == nil:
			continue
		case !e.named:
			// It would get another name when it is stored.
			result.Report = ""
		case names[result.GetReport()]:
			nameTaken(result)
			continue
		default:
			if _, err := s.Ledger.Get(ctx, result.GetReport()); err == nil {
				nameTaken(result)
				continue
			} else if !errors.Is(err, ledger.ErrNotFound) {
				return nil, err
			}
			names[result.GetReport()] = true
		}
		sources[e.source] = result.GetReport()
	}
	return out, nil
}
