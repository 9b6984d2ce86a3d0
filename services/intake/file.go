package intake

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/harm"
	"fairlead/services/ledger"
	"fairlead/services/receiptcode"
	"fairlead/services/record"
)

// filing is a report that has been checked and is ready to be stored, or not:
// wrong says what is in the way.
type filing struct {
	report *pb.Report
	// teller is who told, as it is stored; told as it was given.
	teller, told *pb.Teller
	// named says that the caller gave the report its name.
	named bool
	wrong fault.Violations
	// actor and taken are what the log keeps: who, and when. For an anonymous
	// report nobody, and the beginning of the day.
	actor string
	taken time.Time
	// receipt is the code that the device minted, or "".
	receipt string
}

// prepare checks a filing and puts it into the form in which it is stored.
// What is wrong is kept until it is known whether this is a replay: what was
// right when it was first sent is answered as then, even if the workplace has
// closed since.
func (s *Service) prepare(ctx context.Context, req *pb.FileReportRequest) (*filing, error) {
	if req.GetReport() == nil {
		return nil, fault.Invalid(fault.Violation{Field: "report", Description: "is needed"})
	}
	now := s.Clock()
	r := proto.Clone(req.GetReport()).(*pb.Report)
	f := &filing{report: r, named: r.GetName() != "", actor: access.From(ctx).Name}
	if err := s.knows(ctx, r.GetWorkplace()); err != nil {
		return nil, err
	}
	x := &examination{s: s, now: now, at: "report"}
	if r.GetOrigin() != nil {
		x.add("origin", "is for imported records; import them with ImportReports, or leave it out")
	}
	if err := s.ready(ctx, x, s.Ledger, r); err != nil {
		return nil, err
	}
	s.stamp(f, now)
	f.receipt = carriedCode(x, req.GetReceiptCode())
	if err := s.tellerOf(ctx, x, f, req.GetTeller()); err != nil {
		return nil, err
	}
	f.wrong = x.vs
	return f, s.confide(ctx, f, req.GetTeller().GetCallBackDays())
}

// ready checks a new report and settles it.
func (s *Service) ready(ctx context.Context, x *examination, from getter, r *pb.Report) error {
	clearOutputs(r)
	if r.GetTellerMode() == pb.TellerMode_TELLER_MODE_UNSPECIFIED {
		r.TellerMode = pb.TellerMode_TELLER_MODE_CONFIDENTIAL
	}
	anonymous := r.GetTellerMode() == pb.TellerMode_TELLER_MODE_ANONYMOUS
	if anonymous {
		r.MadeTime, r.TellerRole = nil, 0
		delete(r.Answers, "teller_role")
	}
	switch rest := strings.TrimPrefix(r.GetName(), reportPrefix); {
	case r.GetName() == "" && anonymous:
		// An id that sorts by time would tell the minute of filing.
		r.Name = reportPrefix + s.RandomID()
	case r.GetName() == "":
		r.Name = reportPrefix + s.NewID()
	case !isUUID(rest):
		x.add("name", "must be reports/ and a lower-case UUID of its own; or leave it out")
	}
	nameHarms(r.GetHarms())
	for i, h := range r.GetHarms() {
		if len(h.GetOutcomeHistory()) > 1 {
			x.add(index("harms", i)+".outcome_history", "holds more than one entry; give the outcome as it stands, and record later changes one by one")
		}
	}
	if err := x.examine(ctx, from, r, true); err != nil {
		return err
	}
	if len(x.vs) > 0 {
		return nil
	}
	if err := s.fillGroups(ctx, from, r); err != nil {
		return err
	}
	settle(r, x.zone)
	return nil
}

// fillGroups gives a harm the employment group of the person hurt, where the
// house knows the person and nobody said otherwise.
func (s *Service) fillGroups(ctx context.Context, from getter, r *pb.Report) error {
	for _, h := range r.GetHarms() {
		if h.GetPerson() == "" || h.GetEmploymentGroup() != 0 || h.GetAnswers()["employment_group"] != 0 {
			continue
		}
		res, err := from.Get(ctx, h.GetPerson())
		if err != nil {
			return err
		}
		p := &pb.Person{}
		if err := record.Read(res.Body, res.Revision, p); err != nil {
			return err
		}
		h.EmploymentGroup = p.GetEmploymentGroup()
	}
	return nil
}

// stamp says when the report was received and by whom outcomes were recorded.
// Of an anonymous report only the day is kept, as the instant at which the
// workplace's day began; of a confidential one, not who typed it.
func (s *Service) stamp(f *filing, now time.Time) {
	r := f.report
	received, recorder := now, ""
	switch r.GetTellerMode() {
	case pb.TellerMode_TELLER_MODE_ANONYMOUS:
		zone := s.Tree.Location(r.GetWorkplace())
		received = harm.DayOf(now, zone).In(zone)
		f.actor, f.taken = access.Anonymous, received
		recorder = access.Anonymous
	case pb.TellerMode_TELLER_MODE_NAMED:
		recorder = f.actor
	default:
		// Whoever has the database must not find open in the log what lies
		// closed beside the report.
		f.actor = access.Confidential
	}
	r.State = pb.ReportState_REPORT_STATE_RECEIVED
	r.ReceiveTime, r.UpdateTime = timestamppb.New(received), timestamppb.New(received)
	for _, h := range r.GetHarms() {
		for _, c := range h.GetOutcomeHistory() {
			c.RecordTime, c.Recorder = timestamppb.New(received), recorder
		}
	}
}

// clearOutputs drops what only the house says.
func clearOutputs(r *pb.Report) {
	r.ShortCode, r.State, r.VoidReason, r.ChangeReason, r.Etag = "", 0, "", "", ""
	r.ReceiveTime, r.UpdateTime = nil, nil
	for _, h := range r.GetHarms() {
		h.Outcome = 0
		for _, c := range h.GetOutcomeHistory() {
			c.RecordTime, c.Recorder = nil, ""
		}
	}
}

// tellerOf checks who told. A teller that says nothing is none.
func (s *Service) tellerOf(ctx context.Context, x *examination, f *filing, given *pb.Teller) error {
	if given.GetDisplayName() == "" && given.GetContact() == "" && given.GetPerson() == "" {
		return nil
	}
	if f.report.GetTellerMode() == pb.TellerMode_TELLER_MODE_ANONYMOUS {
		x.vs.Add("teller", "must be left out of an anonymous report: nothing that could tell is kept")
		return nil
	}
	if given.GetPerson() != "" {
		there, err := x.exists(ctx, s.Ledger, given.GetPerson(), record.KindPerson)
		if err != nil {
			return err
		}
		if !there {
			x.vs.Add("teller.person", "is not a person here; check the name, or leave it out")
		}
	}
	f.teller = &pb.Teller{Name: f.report.GetName() + "/teller", DisplayName: given.GetDisplayName(),
		Contact: given.GetContact(), Person: given.GetPerson()}
	return nil
}

// preview answers a check: what would be stored, or what is wrong.
func (s *Service) preview(ctx context.Context, f *filing) (*pb.FileReportResponse, error) {
	if f.named {
		first, _, err := s.firstOf(ctx, f.report.GetName())
		switch {
		case err == nil && !s.same(ctx, first, f):
			return nil, fault.Exists(f.report.GetName())
		case err == nil:
			return &pb.FileReportResponse{Report: first, Notes: notes(first)}, nil
		case !errors.Is(err, ledger.ErrNotFound):
			return nil, err
		}
	}
	if err := f.wrong.Err(); err != nil {
		return nil, err
	}
	if !f.named {
		f.report.Name = ""
	}
	return &pb.FileReportResponse{Report: f.report, Notes: notes(f.report)}, nil
}

// file stores a filing, or finds that it was stored before.
func (s *Service) file(ctx context.Context, req *pb.FileReportRequest, f *filing) (*pb.FileReportResponse, error) {
	id := req.GetRequestId()
	if f.actor == access.Anonymous && id != "" {
		// A request id may tell its time; its hash does not, and replays alike.
		sum := sha256.Sum256([]byte("fairlead anonymous request\n" + id))
		id = "anonymous-" + hex.EncodeToString(sum[:16])
	}
	asked, err := record.Request(f.actor, id, unlinked(f, req))
	if err != nil {
		return nil, err
	}
	asked.Time = f.taken
	name := f.report.GetName()
	code := f.receipt
	if code == "" {
		if code, err = receiptcode.New(s.Random); err != nil {
			return nil, err
		}
	}
	receipt, err := s.Ledger.Write(ctx, asked, func(ctx context.Context, tx ledger.Tx) error {
		if r, err := tx.Get(ctx, name); err == nil {
			return &ledger.ExistsError{Name: name, Revision: r.Revision}
		}
		if err := f.wrong.Err(); err != nil {
			return err
		}
		if err := store(ctx, tx, f.report, record.VerbFile); err != nil {
			return err
		}
		if err := claimCode(ctx, tx, code, name); err != nil {
			return err
		}
		tx.SetAnswer([]byte(name))
		if f.teller == nil {
			return nil
		}
		p, err := record.Put(f.teller, f.teller.GetName(), record.KindTeller, record.VerbFile, ledger.Absent)
		if err != nil {
			return err
		}
		_, err = tx.Put(ctx, p)
		return err
	})
	switch {
	case errors.Is(err, ledger.ErrExists):
		return s.filedBefore(ctx, f)
	case err != nil:
		return nil, fault.FromLedger(err, record.Etag)
	case !receipt.Replayed:
		f.report.Etag = record.Etag(1)
		return &pb.FileReportResponse{Report: f.report, SequenceNumber: receipt.Seq, Notes: told(notes(f.report), f.report, f.teller),
			ReceiptCode: receiptcode.Spoken(code)}, nil
	}
	r, err := s.asAt(ctx, string(receipt.Answer), receipt.Seq)
	if err != nil {
		return nil, err
	}
	known, err := s.codeAgain(ctx, f, r.GetName())
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	return s.again(ctx, r, receipt.Seq, known), nil
}

// filedBefore answers a filing whose report is there already: as the first time
// when it is the same, whichever request it came with.
func (s *Service) filedBefore(ctx context.Context, f *filing) (*pb.FileReportResponse, error) {
	first, seq, err := s.firstOf(ctx, f.report.GetName())
	if err != nil {
		return nil, err
	}
	if !s.same(ctx, first, f) {
		return nil, fault.Exists(f.report.GetName())
	}
	code, err := s.codeOf(ctx, f, first.GetName())
	return s.again(ctx, first, seq, code), err
}

// firstOf returns a report as it was filed, and the number of that change.
func (s *Service) firstOf(ctx context.Context, name string) (*pb.Report, int64, error) {
	changes, err := s.Ledger.History(ctx, name)
	if err != nil {
		return nil, 0, err
	}
	r := &pb.Report{}
	return r, changes[0].Seq, record.Read(changes[0].Body, changes[0].Revision, r)
}

// same reports whether a filing tells what a stored report told when it was
// filed, and names the same teller.
func (s *Service) same(ctx context.Context, first *pb.Report, f *filing) bool {
	told, telling := proto.Clone(first).(*pb.Report), proto.Clone(f.report).(*pb.Report)
	// What was wrong now may have been right then, and is not settled yet.
	settle(telling, s.Tree.Location(telling.GetWorkplace()))
	clearOutputs(told)
	clearOutputs(telling)
	for i, h := range told.GetHarms() {
		// The house may have known the person's group only later, or earlier.
		if i < len(telling.GetHarms()) && h.GetPerson() != "" && telling.Harms[i].GetEmploymentGroup() == 0 {
			telling.Harms[i].EmploymentGroup = h.GetEmploymentGroup()
		}
	}
	if !proto.Equal(told, telling) {
		return false
	}
	changes, err := s.Ledger.History(ctx, first.GetName()+"/teller")
	if err != nil {
		return errors.Is(err, ledger.ErrNotFound) && f.teller == nil
	}
	t := &pb.Teller{}
	if record.Read(changes[0].Body, changes[0].Revision, t) != nil || f.teller == nil {
		return false
	}
	if len(t.GetClosed()) > 0 {
		return true // whose name it is, nobody here can compare
	}
	t.EraseDate = ""
	return proto.Equal(t, f.told)
}

// store claims a short code for a new report and writes it. It sets the code in
// r; run again, it sets it again.
func store(ctx context.Context, tx ledger.Tx, r *pb.Report, verb string) error {
	uuid := strings.TrimPrefix(r.GetName(), reportPrefix)
	for turn := 0; ; turn++ {
		code := shortCode(uuid, turn)
		err := tx.Claim(ctx, record.SpaceShortCode, code, r.GetName())
		if errors.Is(err, ledger.ErrClaimed) && turn < 1000 {
			continue
		}
		if err != nil {
			return fmt.Errorf("intake: claim a short code: %w", err)
		}
		r.ShortCode = spoken(code)
		break
	}
	p, err := record.Put(r, r.GetName(), record.KindReport, verb, ledger.Absent)
	if err != nil {
		return err
	}
	_, err = tx.Put(ctx, p)
	return err
}

// asAt reads a report as it was at a sequence number.
func (s *Service) asAt(ctx context.Context, name string, seq int64) (*pb.Report, error) {
	res, err := s.Ledger.GetAt(ctx, name, seq)
	if err != nil {
		return nil, err
	}
	r := &pb.Report{}
	return r, record.Read(res.Body, res.Revision, r)
}

// knows makes sure that a workplace which was added a moment ago is in the tree
// before a report of it is refused.
func (s *Service) knows(ctx context.Context, workplace string) error {
	if s.Tree.Has(workplace) || ledger.CheckName(workplace) != nil {
		return nil
	}
	res, err := s.Ledger.Get(ctx, workplace)
	if errors.Is(err, ledger.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	return wait(ctx, s.Tree, res.Seq)
}
