package retention

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// mentions are the reports that a person is in.
type mentions struct {
	// hurt are those whose report names the person in any version, told those
	// whose teller is the person in any version.
	hurt, told map[string]bool
	// named are those in which something written has a word of the person's
	// names, which are words.
	named map[string]bool
	words []string
	// versions counts the versions of the person.
	versions int64
	// seq is how far the log was read.
	seq int64
}

func newMentions() *mentions {
	return &mentions{hurt: map[string]bool{}, told: map[string]bool{}, named: map[string]bool{}}
}

// all returns all reports, sorted.
func (m *mentions) all() []string {
	both := maps.Clone(m.hurt)
	maps.Copy(both, m.told)
	return slices.Sorted(maps.Keys(both))
}

// look reads on in the log and notes the reports that a person is in. Versions
// long amended count: what was once said is there until it is erased.
func (s *Service) look(ctx context.Context, person string, m *mentions) error {
	head, err := s.Ledger.Head(ctx)
	if err != nil {
		return err
	}
	needle := []byte(person)
	for m.seq < head.Seq {
		batch, err := s.Ledger.Changes(ctx, m.seq, 1000)
		if err != nil {
			return err
		}
		if len(batch) == 0 {
			return fmt.Errorf("retention: the log ends at %d before its head %d: run the check", m.seq, head.Seq)
		}
		for _, c := range batch {
			m.seq = c.Seq
			if c.Name == person {
				m.versions++
			}
			if is, err := writes(c, m.words); err != nil {
				return err
			} else if report, ok := record.ReportOf(c.Name); is && ok {
				m.named[report] = true
			}
			if bytes.Contains(c.Body, needle) {
				if err := m.note(person, c); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// note looks at a change that may mention a person: an id may be the beginning
// of another.
func (m *mentions) note(person string, c ledger.Change) error {
	switch c.Kind {
	case record.KindReport:
		r := &pb.Report{}
		if err := record.Read(c.Body, c.Revision, r); err != nil {
			return err
		}
		if namesPerson(r, person) {
			m.hurt[c.Name] = true
		}
	case record.KindTeller:
		t := &pb.Teller{}
		if err := record.Read(c.Body, c.Revision, t); err != nil {
			return err
		}
		if t.GetPerson() == person {
			m.told[reportOfTeller(c.Name)] = true
		}
	case record.KindKept:
		left := &pb.KeptVersions{}
		if err := record.Read(c.Body, c.Revision, left); err != nil {
			return err
		}
		for _, v := range left.GetVersions() {
			r := &pb.Report{}
			if proto.Unmarshal(v.GetBody(), r) == nil && namesPerson(r, person) {
				m.hurt[strings.TrimSuffix(c.Name, "/kept")] = true
			}
		}
	}
	return nil
}

func namesPerson(r *pb.Report, person string) bool {
	return slices.ContainsFunc(r.GetHarms(), func(h *pb.Harm) bool { return h.GetPerson() == person })
}

// erasePerson answers ErasePerson.
func (s *Service) erasePerson(ctx context.Context, req *pb.ErasePersonRequest) (*pb.EraseResponse, error) {
	if strings.TrimSpace(req.GetReason()) == "" {
		return nil, fault.Invalid(fault.Violation{Field: "reason", Description: "is needed: who asked, or which rule? It stays on record, so do not say who the person is"})
	}
	asked, err := record.Request(access.From(ctx).Name, req.GetRequestId(), req)
	if err != nil {
		return nil, err
	}
	if before, err := s.erasedBefore(ctx, asked, req.GetValidateOnly()); before != nil || err != nil {
		return before, err
	}
	gone, err := s.tombstone(ctx, s.Ledger, req.GetName())
	if err != nil {
		return nil, err
	}
	if gone {
		return nil, alreadyErased(req.GetName())
	}
	m := newMentions()
	if m.words, err = s.nameWords(ctx, req.GetName()); err != nil {
		return nil, err
	}
	if err := s.look(ctx, req.GetName(), m); err != nil {
		return nil, err
	}
	h, err := s.held(ctx, s.Ledger)
	if err != nil {
		return nil, err
	}
	if err := h.refuse(ctx, s, m.all(), req.GetName()); err != nil {
		return nil, err
	}
	out, err := s.personAnswer(ctx, req.GetName(), m)
	if err != nil || req.GetValidateOnly() {
		return out, err
	}
	// The reports go first and the person last: whoever is cut off in between
	// finds the person still there, and asks again.
	if err := s.forget(ctx, req, h, m.hurt, m.told); err != nil {
		return nil, err
	}
	out, err = s.finish(ctx, asked, req.GetName(), counts(out, m), func(ctx context.Context, tx ledger.Tx) error {
		now, err := s.held(ctx, tx)
		if err != nil {
			return err
		}
		if !h.same(now) {
			return errMoved
		}
		return s.erasePersonItself(ctx, tx, req)
	})
	if err != nil {
		return nil, err
	}
	return out, s.latecomers(ctx, req, h, m)
}

// counts is what is answered, and remembered, once a person is erased: in how
// many reports the person had been, not in which. That is told by the check
// before, and by nothing after.
func counts(found *pb.EraseResponse, m *mentions) *pb.EraseResponse {
	return &pb.EraseResponse{Erased: found.GetErased()[:1], Notes: append([]string{
		fmt.Sprintf("Taken out of %d reports as somebody hurt, and of %d as who told. Which they were is not kept.", len(m.hurt), len(m.told))},
		found.GetNotes()...)}
}

// latecomers takes a person out of what was filed while the erasure ran.
func (s *Service) latecomers(ctx context.Context, req *pb.ErasePersonRequest, h *held, m *mentions) error {
	for {
		late := newMentions()
		late.seq = m.seq
		if err := s.look(ctx, req.GetName(), late); err != nil {
			return err
		}
		if len(late.all()) == 0 {
			return nil
		}
		if err := s.forget(ctx, req, h, late.hurt, late.told); err != nil {
			return err
		}
		m = late
	}
}

// forget takes a person out of reports and tellers, a few in each write.
func (s *Service) forget(ctx context.Context, req *pb.ErasePersonRequest, h *held, hurt, told map[string]bool) error {
	both := &mentions{hurt: hurt, told: told}
	for some := range slices.Chunk(both.all(), atOnce) {
		var plans []*rewriting
		for _, report := range some {
			w := &rewriting{report: report}
			if hurt[report] {
				var err error
				if w, err = s.plan(ctx, report, withoutPerson(req.GetName()), s.note(0, "", req.GetReason())); err != nil {
					return err
				}
			}
			w.teller = told[report]
			plans = append(plans, w)
		}
		_, err := s.Ledger.Write(ctx, ledger.Request{Actor: access.From(ctx).Name}, func(ctx context.Context, tx ledger.Tx) error {
			now, err := s.held(ctx, tx)
			if err != nil {
				return err
			}
			if !h.same(now) {
				return errMoved
			}
			for _, w := range plans {
				if err := w.write(ctx, tx); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return s.moved(ctx, err, req.GetName())
		}
	}
	return nil
}

// tombstone reports whether a person has been erased already.
func (s *Service) tombstone(ctx context.Context, from reader, name string) (bool, error) {
	res, err := from.Get(ctx, name)
	if err != nil {
		return false, outside(err, name)
	}
	if res.Kind != record.KindPerson {
		return false, fault.NotFound(name)
	}
	p := &pb.Person{}
	if err := record.Read(res.Body, res.Revision, p); err != nil {
		return false, err
	}
	return record.ErasedPerson(p), nil
}

func alreadyErased(name string) error {
	return fault.State(name, "this person was erased already")
}

// erasePersonItself destroys who a person is. Nothing is counted from people, so
// that neither where they worked nor how stays: in a small crew that tells.
func (s *Service) erasePersonItself(ctx context.Context, tx ledger.Tx, req *pb.ErasePersonRequest) error {
	gone, err := s.tombstone(ctx, tx, req.GetName())
	if err != nil {
		return err
	}
	if gone {
		return alreadyErased(req.GetName())
	}
	if err := tx.Erase(ctx, req.GetName()); err != nil {
		return err
	}
	p := &pb.Person{Name: req.GetName(), DisplayName: noPerson, Workplace: s.Tree.Root()}
	if err := put(ctx, tx, p, p.GetName(), record.KindPerson, record.VerbErase, ledger.Any); err != nil {
		return err
	}
	return s.log(ctx, tx, req.GetReason())
}

// personAnswer says what is erased with a person.
func (s *Service) personAnswer(ctx context.Context, name string, m *mentions) (*pb.EraseResponse, error) {
	read := maps.Clone(m.named)
	for _, report := range m.all() {
		read[report] = true
	}
	out := &pb.EraseResponse{ReportsToRead: slices.Sorted(maps.Keys(read))}
	out.Erased = append(out.Erased, &pb.ErasedResource{Name: name, What: "name, workplace, employment and occupation", Versions: m.versions})
	for _, report := range slices.Sorted(maps.Keys(m.told)) {
		out.Erased = append(out.Erased, &pb.ErasedResource{Name: tellerName(report), What: "who told, the reasons for which that was opened, and messages to and fro", Versions: 1})
	}
	for _, report := range slices.Sorted(maps.Keys(m.hurt)) {
		w, err := s.plan(ctx, report, withoutPerson(name), nil)
		if err != nil {
			return nil, err
		}
		out.Erased = append(out.Erased, w.erased("the mention of the person as somebody hurt")...)
	}
	out.Notes = append(out.Notes,
		"The person's id stays in the log as the name of something erased; no report refers to it any more. If the id is a word that says who it is, it cannot be taken out of the log.",
		"Names told in confidence that are closed to keepers are not searched: nobody but a keeper can open them. Ask each keeper to take out those of the person (the page “Keepers of names”, or `fairlead keepers forget`), or wait: each goes on the day that was promised.",
		"The reports to read are those that the person was hurt in or told, and those in which somebody wrote a word of the person's name, in any version; nicknames and slips of the pen are not found. Read them first and erase what names the person: the name is covered for some readers because the house knows it, and after the erasure the house does not.",
		"Whoever signs in is in the access file: take the person out there too. Copies made before, such as backups, keep what they hold.")
	return out, nil
}
