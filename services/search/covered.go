package search

import (
	"context"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
)

// covers reports whether the asker reads stories with the names covered: those
// who may not know who did what, as in ReportService.
func (s *Service) covers(a asked) bool { return s.Masks != nil && !a.view.Actors }

// stillFits keeps of what the index found those reports that also fit as the
// asker may read them: a name under a cover finds nothing, is counted nowhere,
// and cannot be asked for by leaving it out. It reads each report that was found;
// whoever reads stories whole is not asked.
func (s *Service) stillFits(ctx context.Context, a asked, rd reading, before func([]string) ([]bool, error)) func([]string) ([]bool, error) {
	return func(names []string) ([]bool, error) {
		keep := make([]bool, len(names))
		for i := range keep {
			keep[i] = true
		}
		if before != nil {
			met, err := before(names)
			if err != nil {
				return nil, err
			}
			copy(keep, met) // none when all are met
		}
		for i, name := range names {
			if !keep[i] {
				continue
			}
			r, ok, err := s.report(ctx, a, strings.TrimPrefix(name, reportPrefix))
			if err != nil {
				return nil, err
			}
			keep[i] = ok && s.index.lang.fits(r, rd)
		}
		return keep, nil
	}
}

// fits reports whether all that is wanted stands in the texts of a report, and
// nothing that is unwanted.
func (l *language) fits(r *pb.Report, rd reading) bool {
	all := append(texts(r), r.GetShortCode())
	for _, h := range r.GetHarms() {
		all = append(all, h.GetDescription())
	}
	there := map[int]bool{}
	for _, text := range all {
		for _, m := range l.matches(text, rd) {
			there[m.key] = true
		}
		if len(rd.unwanted) == 0 {
			continue
		}
		var tokens []token
		for t := range l.tokens(text) {
			tokens = append(tokens, t)
		}
		for _, ph := range rd.unwanted {
			for i := range tokens {
				if standsAt(tokens, i, ph) != nil {
					return false
				}
			}
		}
	}
	for key := range rd.wanted {
		if !there[key] {
			return false
		}
	}
	return true
}
