package measure

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/cube"
	"fairlead/services/guard"
)

// yearsRule says to whom it is said how facts of persons are told.
const yearsRule = "who was hurt, how and with what outcome is told to whoever does not read the reports by whole years from July to June only, three months after they end, for one workplace with all below it"

// eventsAdvice says what may be asked for instead.
const eventsAdvice = "Hazards and near misses can be counted by their codes for any period."

// others is the key of the row of all that is held back.
const others = "others"

// guarded reports whether small counts of a scope are held back from the caller.
func (s *view) guarded(ctx context.Context, scope []string) bool {
	return guard.Applies(access.From(ctx), s.reach, scope)
}

// heldPersons says why a question about facts of persons is not answered
// otherwise than by [view.yearTable]; "" when it is none, or the caller reads the
// reports.
func heldPersons(guarded bool, f *pb.ReportFilter, kinds []pb.ReportKind, harms bool, dims ...pb.Dimension) string {
	if !guarded || !guard.Personal(f, kinds, harms, dims...) {
		return ""
	}
	return "Held back: " + yearsRule + ". Ask for a table of one column. " + eventsAdvice
}

// years returns the years that a filter asks for, if it asks for whole ones.
func years(f *pb.ReportFilter) []int {
	from, err := time.Parse(time.DateOnly, f.GetStartDate())
	end, errEnd := time.Parse(time.DateOnly, f.GetEndDate())
	if err != nil || errEnd != nil {
		return nil
	}
	return guard.Years(from, end, maxMonths/12)
}

// yearQuestion says why a question about facts of persons cannot be answered; ""
// when it can.
func (s *view) yearQuestion(req *pb.TabulateRequest, scope []string) string {
	f := req.GetFilter()
	last := years(f)
	coded := req.GetRows() != pb.Dimension_DIMENSION_OUTCOME && req.GetRows() != pb.Dimension_DIMENSION_EMPLOYMENT_GROUP
	switch {
	case len(last) == 0:
		return "Held back: " + yearsRule + ". Ask for such years, from a first of July to the day before another. " + eventsAdvice
	case req.GetColumns() != pb.Dimension_DIMENSION_UNSPECIFIED || !req.GetCountHarms() || coded && req.GetCodeLevel() != 1 || len(scope) > 1:
		return "Held back: " + yearsRule + ". Count persons hurt, in one column, with groups of codes (level 1)."
	case !guard.Tells(req.GetRows()) ||
		len(f.GetKinds())+len(f.GetOutcomes())+len(f.GetPotentials())+len(f.GetCodes())+len(f.GetEmploymentGroups())+len(f.GetCells()) > 0 ||
		f.GetIncludeVoided() || len(f.GetDatasets()) > 0 && !slices.Equal(f.GetDatasets(), []string{here}):
		return "Held back: " + yearsRule + ". Leave out all other conditions."
	}
	if y := last[len(last)-1]; s.now().Before(guard.Settled(y)) {
		return fmt.Sprintf("Held back: the year that ends in June %d is told from %s on. Until then ask for the years before.", y+1, guard.Settled(y).Format("2 January 2006"))
	}
	return ""
}

// now is the present, whatever moment the question is about.
func (s *view) now() time.Time { return s.wall() }

// yearTable counts persons hurt by one fact of theirs, for whoever does not read
// the reports. Every answer is a sum of counts that were made once for each year
// and place, and guarded together; so that no two answers, however combined, tell
// more than all of these do.
func (s *view) yearTable(ctx context.Context, req *pb.TabulateRequest, scope []string) (*pb.Table, error) {
	out := &pb.Table{Columns: []*pb.TableHead{{Key: "count", Title: "count"}}}
	var all []*toldYear
	for _, y := range years(req.GetFilter()) {
		at := &pb.AsAt{Moment: &pb.AsAt_Time{Time: timestamppb.New(guard.Settled(y))}}
		p, f, t, err := s.past.At(ctx, at, "as_at")
		if err != nil {
			return nil, err
		}
		one, err := s.toldOf(f, t, req.GetRows(), y, scope)
		if err != nil {
			return nil, err
		}
		out.SequenceNumber = max(out.SequenceNumber, p.Seq)
		out.Total += one.total
		all = append(all, one)
	}
	out.Rows = sumYears(all)
	rest := out.Total
	for _, row := range out.Rows {
		if row.GetKey() == "" {
			out.RowsUnknown = row.GetTotal()
		}
		rest -= row.GetTotal()
		out.Counts = append(out.Counts, row.GetTotal())
	}
	if rest > 0 {
		// Together, and without their names: that a row is there would tell that
		// somebody was hurt so, and how many there are, how many ways.
		if len(out.Rows) == 0 || out.Rows[0].GetKey() != "" {
			out.RowsUnknown = guard.HeldBack
		}
		out.Rows, out.Counts = append(out.Rows, &pb.TableHead{Key: others, Title: "all others, held back together", Total: rest}), append(out.Counts, rest)
		out.HeldBack, out.HeldBackReason = 1, s.fewReason()
	}
	out.Columns[0].Total = out.Total
	out.Method = "Persons hurt, each counted once, by whole years from July to June. Codes are those of the person, else of the report, gathered at level 1 of their list. " +
		"Each year is counted once, as it was recorded three months after its end, and not again: so no difference tells what came later. Reports filed here only; voided reports are left out."
	return out, nil
}

// toldYear is what is told of one year and place.
type toldYear struct {
	// shown are the categories whose counts are shown.
	shown map[string]*pb.TableHead
	total int64
	// whole says that they are all there were.
	whole bool
}

// toldOf is what is told of a year.
func (s *Service) toldOf(f Facts, t Tree, d pb.Dimension, year int, scope []string) (*toldYear, error) {
	c, l, place, err := s.countYear(f, t, d, year, scope)
	out := &toldYear{shown: map[string]*pb.TableHead{}, whole: true}
	if err != nil || l == nil || place < 0 {
		return out, err
	}
	for i, h := range c.Sides[1].Heads {
		n := l.Counts[place][i]
		out.total += n
		switch {
		case n == 0:
		case !l.Whole || l.Hidden[place][i]:
			out.whole = false
		default:
			out.shown[h.GetKey()] = &pb.TableHead{Key: h.GetKey(), Title: h.GetTitle(), Facet: h.GetFacet(), Total: n}
		}
	}
	return out, nil
}

// sumYears adds years up, by category. One is shown when each year shows it, or
// has nothing that it does not show: were it left to a year in which it is held
// back, and shown where it is none, the sum would tell the two apart.
func sumYears(all []*toldYear) (rows []*pb.TableHead) {
	sums := map[string]*pb.TableHead{}
	for _, y := range all {
		for key, h := range y.shown {
			if sums[key] == nil {
				sums[key] = &pb.TableHead{Key: key, Title: h.GetTitle(), Facet: h.GetFacet()}
			}
			sums[key].Total += h.GetTotal()
		}
	}
	for _, key := range slices.Sorted(maps.Keys(sums)) { // what has no value comes first
		if !slices.ContainsFunc(all, func(y *toldYear) bool { return !y.whole && y.shown[key] == nil }) {
			rows = append(rows, sums[key])
		}
	}
	return rows
}

// countYear counts one year of the whole house by place and category, and
// guards it. place is that of the scope in the lattice; -1 when nobody was hurt
// there.
func (s *Service) countYear(f Facts, t Tree, d pb.Dimension, year int, scope []string) (*cube.Cube, *guard.Lattice, int, error) {
	cubes, err := f.Cubes(cube.Question{
		Filter: &pb.ReportFilter{StartDate: fmt.Sprintf("%04d-07-01", year), EndDate: fmt.Sprintf("%04d-07-01", year+1), Datasets: []string{here}},
		// The whole house, whoever asks: what is held back here depends on what
		// is told there, and two who ask about different places may talk.
		Dimensions: []pb.Dimension{pb.Dimension_DIMENSION_WORKPLACE, d}, Level: 1, Harms: true, Most: maxCategories,
	})
	if err != nil {
		return nil, nil, 0, err
	}
	c := cubes[0]
	if c.Counts == nil || len(c.Counts) == 0 || t.Root() == "" {
		return c, nil, -1, nil
	}
	places := newPlaces(t)
	for _, h := range c.Sides[0].Heads {
		places.add(h.GetKey())
	}
	direct := make([][]int64, len(places.names))
	for i := range direct {
		direct[i] = make([]int64, len(c.Sides[1].Heads))
	}
	for p, h := range c.Sides[0].Heads {
		if i := slices.Index(places.names, h.GetKey()); i >= 0 {
			for k := range c.Sides[1].Heads {
				direct[i][k] += c.Counts[c.At(p, k)]
			}
		}
	}
	at := 0
	if len(scope) == 1 {
		at = slices.Index(places.names, scope[0])
	}
	return c, guard.NewLattice(places.parent, direct, s.smallest), at, nil
}

// fewReason says why counts are held back.
func (s *Service) fewReason() string {
	return fmt.Sprintf("Held back: counts from 1 to %d would tell about single persons, and some larger ones would give those away.", s.smallest-1)
}

// guardTable holds back the small counts of a table by codes.
func (s *Service) guardTable(t *pb.Table) {
	if t.HeldBack = guard.Table(t, s.smallest); t.HeldBack > 0 || t.GetTotal() == guard.HeldBack {
		t.HeldBackReason = fmt.Sprintf("Held back: counts from 1 to %d, and larger ones from which those would follow.", s.smallest-1)
		t.Method = strings.TrimSpace(t.GetMethod() + " Small counts are held back.")
	}
}
