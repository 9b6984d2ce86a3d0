package receipts

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// Bounds, so that a code that fell into the wrong hands fills nothing.
const (
	// mostMessages of one report.
	mostMessages = 300
	// mostInADay of them from the teller.
	mostInADay = 30
)

// gone stands where words were erased.
const gone = "(What was written here is no longer kept.)"

func prefix(report string) string { return report + "/messages/" }

type lister interface {
	List(ctx context.Context, kind, prefix, after string, limit int) ([]ledger.Resource, error)
}

// messages returns the messages of a report, oldest first.
func messages(ctx context.Context, from lister, report string) ([]*pb.ReportMessage, error) {
	page, err := from.List(ctx, record.KindMessage, prefix(report), "", mostMessages+1)
	if err != nil {
		return nil, err
	}
	var out []*pb.ReportMessage
	for _, res := range page {
		m := &pb.ReportMessage{}
		if len(res.Body) > 0 {
			if err := record.Read(res.Body, res.Revision, m); err != nil {
				return nil, err
			}
		}
		if m.GetText() == "" && m.GetKind() != pb.MessageKind_MESSAGE_KIND_NOT_FIXED {
			m.Text = gone
		}
		m.Name = res.Name
		out = append(out, m)
	}
	slices.SortFunc(out, func(a, b *pb.ReportMessage) int { return int(a.GetNumber() - b.GetNumber()) })
	return out, nil
}

// forTeller takes out what a teller is not told: who at the house wrote.
func forTeller(m *pb.ReportMessage) *pb.ReportMessage {
	if m != nil {
		m.Author = ""
	}
	return m
}

// sight says what a caller of the house may read of messages.
type sight struct{ words, authors bool }

// sight of the messages of a report. The words of somebody who did not give
// their name openly may tell who it is: they are for those who may know it, and
// for who was given this report to investigate.
func (s *Service) sight(ctx context.Context, r *pb.Report) sight {
	who := access.From(ctx).At(s.Tree, r.GetWorkplace(), r.GetName())
	view := access.ViewOf(who)
	named := r.GetTellerMode() == pb.TellerMode_TELLER_MODE_NAMED && view.NamedTellers
	return sight{words: named || view.ConfidentialTellers || who.Has(pb.Role_ROLE_INVESTIGATOR), authors: view.Actors}
}

func (v sight) cut(m *pb.ReportMessage) {
	if !v.authors {
		m.Author = ""
	}
	if !v.words && m.GetSide() == pb.MessageSide_MESSAGE_SIDE_TELLER {
		m.Text, m.WordsHidden = "", true
	}
}

// fromHouse writes a message of somebody who looks after the report.
func (s *Service) fromHouse(ctx context.Context, report, requestID string, asked proto.Message, verb string, m *pb.ReportMessage) (*pb.ReportMessage, error) {
	if strings.TrimSpace(m.GetText()) == "" {
		return nil, fault.Invalid(fault.Violation{Field: "text", Description: "is needed: say it in plain words, without names"})
	}
	r, err := s.read(ctx, report)
	if err != nil {
		return nil, err
	}
	if r.GetOrigin() != nil {
		return nil, fault.State(report, "this record was brought in from elsewhere: nobody holds a receipt code for it")
	}
	who := access.From(ctx)
	request, err := record.Request(who.Name, requestID, asked)
	if err != nil {
		return nil, err
	}
	m.Side, m.Author, m.Date = pb.MessageSide_MESSAGE_SIDE_HOUSE, who.Name, s.day(r, s.Clock())
	out, err := s.add(ctx, request, r, verb, m)
	if err == nil {
		s.sight(ctx, r).cut(out)
	}
	return out, err
}

// fromTeller writes a message of whoever holds the code.
func (s *Service) fromTeller(ctx context.Context, r *pb.Report, req *pb.AddMessageRequest) (*pb.ReportMessage, error) {
	m := &pb.ReportMessage{Side: pb.MessageSide_MESSAGE_SIDE_TELLER, Kind: pb.MessageKind_MESSAGE_KIND_ANSWER, Text: req.GetText(), Answers: req.GetAnswers()}
	if req.GetNotFixed() {
		m.Kind = pb.MessageKind_MESSAGE_KIND_NOT_FIXED
	}
	if strings.TrimSpace(req.GetText()) == "" {
		if m.Text = ""; !req.GetNotFixed() {
			return nil, fault.Invalid(fault.Violation{Field: "text", Description: "is needed: what do you want to say?"})
		}
	}
	if a := req.GetAnswers(); a != "" && !strings.HasPrefix(a, prefix(r.GetName())) {
		return nil, fault.Invalid(fault.Violation{Field: "answers", Description: "is not a message about this report; leave it out, or take its name from ListMessages"})
	}
	m.Date = s.day(r, s.Clock())
	request, err := s.nobody(r, req.GetRequestId(), req)
	if err != nil {
		return nil, err
	}
	return s.add(ctx, request, r, record.VerbAnswer, m)
}

// nobody is a request of a teller: the log names no one, and unless the report
// was told openly it keeps the day and not the minute.
func (s *Service) nobody(r *pb.Report, id string, asked proto.Message) (ledger.Request, error) {
	if id != "" {
		// A request id may tell its time; its hash does not.
		sum := sha256.Sum256([]byte("fairlead receipt request\n" + r.GetName() + "\n" + id))
		id = "receipt-" + hex.EncodeToString(sum[:16])
	}
	request, err := record.Request(access.Anonymous, id, asked)
	if r.GetTellerMode() != pb.TellerMode_TELLER_MODE_NAMED {
		now := s.Clock().In(s.Tree.Location(r.GetWorkplace()))
		y, m, d := now.Date()
		request.Time = time.Date(y, m, d, 0, 0, 0, 0, now.Location())
	}
	return request, err
}

// add writes a new message.
func (s *Service) add(ctx context.Context, request ledger.Request, r *pb.Report, verb string, m *pb.ReportMessage) (*pb.ReportMessage, error) {
	m.Name = prefix(r.GetName()) + s.RandomID()
	receipt, err := s.Ledger.Write(ctx, request, func(ctx context.Context, tx ledger.Tx) error {
		before, err := messages(ctx, tx, r.GetName())
		if err != nil {
			return err
		}
		m.Number = 1
		today := 0
		for _, b := range before {
			m.Number = max(m.Number, b.GetNumber()+1)
			if b.GetSide() == pb.MessageSide_MESSAGE_SIDE_TELLER && b.GetDate() == m.GetDate() {
				today++
			}
		}
		switch {
		case m.GetAnswers() != "" && !slices.ContainsFunc(before, func(b *pb.ReportMessage) bool {
			return b.GetName() == m.GetAnswers() && b.GetSide() == pb.MessageSide_MESSAGE_SIDE_HOUSE
		}):
			return fault.Invalid(fault.Violation{Field: "answers", Description: "is not a message of the house about this report; leave it out, or take its name from ListMessages"})
		case len(before) >= mostMessages:
			return fault.State(r.GetName(), "there are too many messages about this report; speak with each other")
		case m.GetSide() == pb.MessageSide_MESSAGE_SIDE_TELLER && today >= mostInADay:
			return fault.State(r.GetName(), "that is enough for one day; go on tomorrow, or speak with the safety adviser")
		}
		p, err := record.Put(m, m.GetName(), record.KindMessage, verb, ledger.Absent)
		if err != nil {
			return err
		}
		tx.SetAnswer([]byte(m.GetName()))
		_, err = tx.Put(ctx, p)
		return err
	})
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	if !receipt.Replayed {
		return m, nil
	}
	return s.message(ctx, string(receipt.Answer))
}

// message reads one message as it stands.
func (s *Service) message(ctx context.Context, name string) (*pb.ReportMessage, error) {
	res, err := s.Ledger.Get(ctx, name)
	if errors.Is(err, ledger.ErrNotFound) {
		return nil, fault.NotFound(name)
	}
	if err != nil {
		return nil, err
	}
	m := &pb.ReportMessage{}
	return m, record.Read(res.Body, res.Revision, m)
}

// acknowledge notes the day on which a teller said that they read a message.
func (s *Service) acknowledge(ctx context.Context, r *pb.Report, name string) (*pb.ReportMessage, error) {
	if !strings.HasPrefix(name, prefix(r.GetName())) {
		return nil, fault.NotFound(name)
	}
	request, err := s.nobody(r, "", &pb.AcknowledgeRequest{Message: name})
	if err != nil {
		return nil, err
	}
	m := &pb.ReportMessage{}
	_, err = s.Ledger.Write(ctx, request, func(ctx context.Context, tx ledger.Tx) error {
		res, err := tx.Get(ctx, name)
		if errors.Is(err, ledger.ErrNotFound) {
			return fault.NotFound(name)
		}
		if err != nil {
			return err
		}
		proto.Reset(m)
		if err := record.Read(res.Body, res.Revision, m); err != nil {
			return err
		}
		if m.GetSide() != pb.MessageSide_MESSAGE_SIDE_HOUSE {
			return fault.NotFound(name)
		}
		if m.GetAcknowledgeDate() != "" {
			return nil
		}
		m.AcknowledgeDate = s.day(r, s.Clock())
		p, err := record.Put(m, name, record.KindMessage, record.VerbAcknowledge, res.Revision)
		if err != nil {
			return err
		}
		_, err = tx.Put(ctx, p)
		return err
	})
	if err != nil {
		return nil, fault.FromLedger(err, record.Etag)
	}
	return m, nil
}
