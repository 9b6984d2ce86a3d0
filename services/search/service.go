package search

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	index "github.com/blevesearch/bleve_index_api"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/paging"
	"fairlead/services/record"
)

// Facts answers what the index does not know of a report, and counts.
type Facts interface {
	// MatchAll says for each of the named reports whether it meets a filter.
	MatchAll(names []string, f *pb.ReportFilter, workplaces []string) ([]bool, error)
	// Count counts the named reports, voided or not, by each of the dimensions.
	Count(names []string, dimensions ...pb.Dimension) [][]*pb.TableHead
	Wait(ctx context.Context, seq int64) error
}

// Service is the SearchService.
type Service struct {
	pb.UnimplementedSearchServiceServer
	index  *Projection
	tree   Tree
	facts  Facts
	tokens *paging.Tokens
}

// New returns the SearchService over an index that is open.
func New(p *Projection, t Tree, f Facts, tokens *paging.Tokens) *Service {
	return &Service{index: p, tree: t, facts: f, tokens: tokens}
}

const (
	usualPage = 20
	mostPage  = 100
	// longestWait bounds the wait for a sequence number when the caller has
	// set no deadline.
	longestWait = 30 * time.Second
	// tryAgain is what a caller is told to wait when the index is behind.
	tryAgain = 250 * time.Millisecond
)

// SearchReports finds reports by their words.
func (s *Service) SearchReports(ctx context.Context, req *pb.SearchReportsRequest) (*pb.SearchReportsResponse, error) {
	// First of all: the request may speak of a workplace that was added just
	// before. The index never shows a change that the tree does not.
	if err := s.wait(ctx, req.GetMinSequenceNumber()); err != nil {
		return nil, err
	}
	a, err := s.ask(ctx, req)
	if err != nil {
		return nil, err
	}
	var resp *pb.SearchReportsResponse
	err = s.index.onSnapshot(ctx, func(reader index.IndexReader, seq int64) error {
		resp, err = s.answer(ctx, reader, seq, a)
		return err
	})
	switch {
	case errors.Is(err, ErrNotReady):
		return nil, fault.Behind(tryAgain)
	case errors.Is(err, ErrClosed):
		return nil, fault.Busy(tryAgain)
	case err != nil:
		return nil, err
	}
	return resp, nil
}

// asked is a request that was found good, with what its asker may see.
type asked struct {
	req      *pb.SearchReportsRequest
	who      access.Principal
	view     access.View
	reading  reading
	days     span
	after    *hit
	limit    int
	reach    []string // workplaces the asker may see; empty for all
	narrowed []string // those of them that were asked for; empty for all
}

// ask checks what the contract's own rules cannot.
func (s *Service) ask(ctx context.Context, req *pb.SearchReportsRequest) (asked, error) {
	who := access.From(ctx)
	a := asked{req: req, who: who, view: access.ViewOf(who), limit: int(req.GetPageSize())}
	f := req.GetFilter()
	// Rights come before existence: who may not see codes does not learn of
	// them by asking for reports that have one.
	if access.NeedsCodes(f) && !a.view.Codes {
		return a, fault.Denied("filter.codes: codes are not open to you; leave them out, and filter.cells that are codes, or ask the safety adviser")
	}
	var err error
	if a.reach, err = access.Narrow(who, s.tree, nil); err != nil {
		return a, err
	}
	if a.narrowed, err = access.Narrow(who, s.tree, f.GetWorkplaces()); err != nil {
		return a, err
	}
	var vs fault.Violations
	for i, w := range f.GetWorkplaces() {
		if len(s.tree.Below(w)) == 0 {
			vs.Add(fmt.Sprintf("filter.workplaces[%d]", i), "is not a workplace here; list the workplaces to see their names")
		}
	}
	a.reading = s.index.lang.read(req.GetWords())
	switch {
	case len(a.reading.wanted) > 0:
	case len(a.reading.unwanted) > 0:
		vs.Add("words", "give at least one word to look for; a word after a minus sign only leaves reports out")
	default:
		vs.Add("words", "give at least one word that says what happened; small words such as \"the\" are not looked for")
	}
	var dates fault.Violations
	a.days, dates = parseSpan(f)
	vs = append(vs, dates...)
	switch {
	case a.limit < 0 || a.limit > mostPage:
		vs.Add("page_size", fmt.Sprintf("must be 1 to %d, or 0 for %d", mostPage, usualPage))
	case a.limit == 0:
		a.limit = usualPage
	}
	if token := req.GetPageToken(); token != "" {
		position, err := s.tokens.Open(question0(req), token)
		at, ok := parsePosition(position)
		if err != nil || !ok {
			vs.Add("page_token", "does not belong to this search; start again without it")
		}
		a.after = &at
	}
	return a, vs.Err()
}

// question0 is the request without what may change from page to page.
func question0(req *pb.SearchReportsRequest) *pb.SearchReportsRequest {
	q := proto.Clone(req).(*pb.SearchReportsRequest)
	q.PageToken, q.PageSize, q.MinSequenceNumber, q.IncludeCounts = "", 0, 0, false
	return q
}

// wait waits until the index shows a change.
func (s *Service) wait(ctx context.Context, seq int64) error {
	ctx, stop := context.WithTimeout(ctx, longestWait)
	defer stop()
	if err := s.index.Wait(ctx, seq); err != nil {
		return fault.Behind(tryAgain)
	}
	return nil
}

// answer looks into one view of the index.
func (s *Service) answer(ctx context.Context, reader index.IndexReader, seq int64, a asked) (*pb.SearchReportsResponse, error) {
	f := a.req.GetFilter()
	p := plan{ctx: ctx, reader: reader, fields: fieldsOf(a.view)}
	spelling := corrector{plan: p, lang: s.index.lang, scope: scope(s.tree, a.reach, f.GetIncludeVoided()),
		word: func(id, said, term string) string { return s.word(ctx, a, id, said, term) }}
	rd, corrections, err := spelling.correct(a.reading)
	if err != nil {
		return nil, err
	}
	for _, c := range corrections {
		rd.notes = append(rd.notes, quoted([]string{c.said})+" not found, read as "+quoted(c.words))
	}
	filters, err := conditions(reader, f, a.days)
	if err != nil {
		return nil, err
	}
	q := question{
		rd: rd, filters: append(scope(s.tree, a.narrowed, f.GetIncludeVoided()), filters...),
		newest: a.req.GetOrder() == pb.SearchOrder_SEARCH_ORDER_NEWEST_FIRST,
		after:  a.after, limit: a.limit, listAll: a.req.GetIncludeCounts(),
	}
	residual := rest(f)
	if residual != nil || q.listAll {
		// The facts must know every report that the index shows.
		if err := s.facts.Wait(ctx, seq); err != nil {
			return nil, fault.Behind(tryAgain)
		}
	}
	if residual != nil {
		q.keep = func(names []string) ([]bool, error) { return s.facts.MatchAll(names, residual, nil) }
	}
	found, err := find(p, q)
	if err != nil {
		return nil, err
	}
	resp := &pb.SearchReportsResponse{TotalSize: found.total, SequenceNumber: seq, Notes: rd.notes}
	if found.total == 0 && len(rd.wanted) > 1 {
		resp.Notes = append(resp.Notes, "no report has all of these words; leave one out")
	}
	if err := s.hits(ctx, resp, rd, a, found.page); err != nil {
		return nil, err
	}
	if found.more {
		resp.NextPageToken = s.tokens.Make(question0(a.req), found.page[len(found.page)-1].position())
	}
	if q.listAll && found.total > 0 {
		counts := s.facts.Count(found.all, pb.Dimension_DIMENSION_KIND, pb.Dimension_DIMENSION_WORKPLACE, pb.Dimension_DIMENSION_MONTH)
		resp.Kinds, resp.Workplaces, resp.Months = counts[0], counts[1], counts[2]
	}
	return resp, nil
}

// hits fills in the hits of a page from the reports as they are now and as the
// asker may see them. One that has moved out of reach, or was voided, since
// the index last looked is left out, and so is one in which what was looked for
// has been covered since.
func (s *Service) hits(ctx context.Context, resp *pb.SearchReportsResponse, rd reading, a asked, page []hit) error {
	for _, h := range page {
		r, ok, err := s.report(ctx, a, h.id)
		if err != nil {
			return err
		}
		if !ok || s.covered(a) && !s.index.lang.fits(r, rd) {
			continue
		}
		resp.Hits = append(resp.Hits, &pb.SearchHit{
			Report: r.GetName(), ShortCode: r.GetShortCode(), Kind: r.GetKind(), Workplace: r.GetWorkplace(),
			OccurTime: r.GetOccurTime(), Snippet: s.index.lang.passage(r, rd), Score: h.score,
		})
	}
	return nil
}

// report returns a report as the asker may see it; ok is false when they may
// not, or when it is voided and voided reports were not asked for.
func (s *Service) report(ctx context.Context, a asked, id string) (r *pb.Report, ok bool, err error) {
	res, err := s.index.led.Get(ctx, reportPrefix+id)
	if errors.Is(err, ledger.ErrNotFound) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, fmt.Errorf("search: read report: %w", err)
	}
	r = &pb.Report{}
	if err := record.Read(res.Body, res.Revision, r); err != nil {
		return nil, false, fmt.Errorf("search: read report: %w", err)
	}
	if !access.Sees(a.who, s.tree, r.GetWorkplace()) {
		return nil, false, nil
	}
	if r.GetState() == pb.ReportState_REPORT_STATE_VOIDED && !a.req.GetFilter().GetIncludeVoided() {
		return nil, false, nil
	}
	if s.covered(a) {
		if r, err = s.index.covers.Cover(ctx, r); err != nil {
			return nil, false, fmt.Errorf("search: cover names: %w", err)
		}
	}
	return access.Redact(r, a.view), true, nil
}

// word returns how a term stands in a report that the asker may see.
func (s *Service) word(ctx context.Context, a asked, id, said, term string) string {
	r, ok, err := s.report(ctx, a, id)
	if err != nil || !ok {
		return term
	}
	return s.index.lang.surface(r, said, term)
}

// surface returns the word of a report that has a term and is written most
// like what was said; the term itself when there is none.
func (l *language) surface(r *pb.Report, said, term string) string {
	all := append(told(r), health(r)...)
	word, least := term, -1
	for _, text := range all {
		for t := range l.tokens(text) {
			if t.term != term {
				continue
			}
			w := strings.ToLower(text[t.start:t.end])
			if d := slipsBetween(said, w); least < 0 || d < least {
				word, least = w, d
			}
		}
	}
	return word
}
