package search

import (
	"context"
	"slices"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
)

// Covers covers what says who somebody is in the stories of others. It follows
// the log of changes.
type Covers interface {
	// Cover returns a report as those beyond its circle may read it. It leaves
	// the report as it is.
	Cover(ctx context.Context, r *pb.Report) (*pb.Report, error)
	// Moved returns the words that are covered otherwise since a change: reports
	// without them read as before. all says that any report may read otherwise.
	Moved(ctx context.Context, c ledger.Change) (words []string, all bool, err error)
	Wait(ctx context.Context, seq int64) error
	Seq() int64
}

// uncovered is the Covers of a house where everybody reads all.
type uncovered struct{}

func (uncovered) Cover(_ context.Context, r *pb.Report) (*pb.Report, error) { return r, nil }
func (uncovered) Moved(context.Context, ledger.Change) (_ []string, _ bool, _ error) {
	return nil, false, nil
}
func (uncovered) Wait(context.Context, int64) error { return nil }
func (uncovered) Seq() int64                        { return 0 }

// covered reports whether the asker reads stories with the names covered: those
// who may not know who did what, as in ReportService.
func (s *Service) covered(a asked) bool { return !a.view.Actors }

// fits reports whether all that is wanted stands in the texts of a report, and
// nothing that is unwanted: what the index said, asked again of the report as it
// is now.
func (l *language) fits(r *pb.Report, rd reading) bool {
	var all [][]token
	for _, text := range slices.Concat(told(r), []string{r.GetShortCode()}, health(r)) {
		all = append(all, slices.Collect(l.tokens(text)))
	}
	there := func(ph phrase) bool {
		return slices.ContainsFunc(all, func(tokens []token) bool {
			for i := range tokens {
				if standsAt(tokens, i, ph) != nil {
					return true
				}
			}
			return false
		})
	}
	return !slices.ContainsFunc(rd.unwanted, there) && !slices.ContainsFunc(rd.wanted, func(w wanted) bool {
		return !slices.ContainsFunc(w.ways, func(w way) bool {
			return !slices.ContainsFunc(w.phrases, func(ph phrase) bool { return !there(ph) })
		})
	})
}
