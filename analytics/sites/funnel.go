package sites

import (
	"fmt"
	"math"
	"slices"

	"fairlead/analytics/dist"

	"gonum.org/v1/gonum/mathext"
)

// Site is one place in a funnel.
type Site struct {
	Label    string
	Count    int
	Exposure float64
	Missing  bool // the hours are not known; Exposure is then not read
}

// Standing says where a place lies in a funnel.
type Standing int8

// The standings. Inside means: no more different than chance makes places.
const (
	FarBelow Standing = -2 // beyond the 99.8 % limits
	Below    Standing = -1 // beyond the 95 % limits
	Inside   Standing = 0
	Above    Standing = 1
	FarAbove Standing = 2
)

// String returns the standing in words.
func (s Standing) String() string {
	switch s {
	case FarBelow:
		return "below the 99.8 % limits"
	case Below:
		return "below the 95 % limits"
	case Above:
		return "above the 95 % limits"
	case FarAbove:
		return "above the 99.8 % limits"
	}
	return "no more different than chance"
}

// Limits are the bounds of a funnel at one exposure, in cases per unit of
// exposure.
type Limits struct {
	Lower95, Upper95   float64
	Lower998, Upper998 float64
}

// FunnelSite is one place with its limits. When Defined is false nothing but the
// Site and Reason means anything.
type FunnelSite struct {
	Site
	Rate     float64
	Exact    Limits // by the Poisson distribution, interpolated
	Normal   Limits // by the normal distribution
	Spread   Limits // by the normal distribution, allowing for the spread between places
	Z        float64
	ZSpread  float64  // the same, allowing for the spread between places
	Standing Standing // by Exact
	// SpreadStanding is the standing by Spread: whether the place is unlike the
	// others even though they differ among themselves.
	SpreadStanding Standing
	Defined        bool
	Reason         string
}

// Funnel compares places with one target. Its figures mean something only when
// Defined is true; the sites keep the order they came in.
type Funnel struct {
	Target        float64 // cases per unit of exposure
	Given         bool    // the target was handed in; otherwise it is that of all places together
	Sites         []FunnelSite
	Compared      int     // places with exposure
	Phi           float64 // mean squared z: about 1 when places differ by chance only
	PhiWinsorised float64 // the same with the outer tenths drawn in, so that a few places do not speak for all
	Tau2          float64 // variance of the true rates between places
	DispersionP   float64 // chance of as large a spread by chance alone
	Defined       bool
	Reason        string // why it is undefined; empty when it is defined
	Note          string // when places differ among themselves by more than chance
}

// FunnelLimit returns the rate that a place of the given exposure stays at or
// below with probability p when its true rate is target. It interpolates
// between counts, so that a curve drawn through it is smooth; a negative value,
// which small places have at the low side, means that no count is low enough:
// draw it at 0.
//
// target and exposure must be above 0 with a product in [1e-9, 1e9], and p in
// [1e-6, 1-1e-6]; otherwise the error wraps [dist.ErrDomain].
//
// Spiegelhalter (2005), Statistics in Medicine 24:1185-1202, appendix A.1.1.
func FunnelLimit(target, exposure, p float64) (float64, error) {
	const op = "sites: funnel limit"
	switch {
	case !(target > 0 && target <= maxExposure):
		return 0, dist.BadFloat(op, "target", target, "must be above 0 cases per unit of exposure")
	case !(exposure >= minExposure && exposure <= maxExposure):
		return 0, dist.BadFloat(op, "exposure", exposure, "must be at least 1e-9 and at most 1e15 units, such as hours worked")
	case !(target*exposure >= 1e-9 && target*exposure <= dist.MaxMean):
		return 0, dist.BadFloat(op, "exposure", exposure, "must make between 1e-9 and 1e9 cases at the target")
	case !(p >= 1e-6 && p <= 1-1e-6):
		return 0, dist.BadFloat(op, "p", p, "must be at least 1e-6 and at most 1 - 1e-6, such as 0.975")
	}
	d, err := dist.NewPoisson(target * exposure)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", op, err)
	}
	r, err := d.Quantile(p)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", op, err)
	}
	if !(d.CDF(r) > p) {
		r++
	}
	// By how much of the last count the probability is overshot.
	over := (d.CDF(r) - p) / d.PMF(r)
	return (float64(r) - over) / exposure, nil
}

// LimitsAt returns the exact limits of a funnel at an exposure, the lower ones
// at 0 where no count is low enough. The domain is that of [FunnelLimit].
func LimitsAt(target, exposure float64) (Limits, error) {
	var l Limits
	for _, c := range []struct {
		to *float64
		p  float64
	}{{&l.Lower95, 0.025}, {&l.Upper95, 0.975}, {&l.Lower998, 0.001}, {&l.Upper998, 0.999}} {
		v, err := FunnelLimit(target, exposure, c.p)
		if err != nil {
			return Limits{}, err
		}
		*c.to = max(0, v)
	}
	return l, nil
}

// FunnelOf compares places with a target rate, in cases per unit of exposure;
// target 0 means the rate of all places together. Each place gets exact limits
// that only chance crosses in 5 % and in 0.2 % of comparisons, so that of twenty
// equal places one is expected outside the inner ones.
//
// Where the places differ among themselves by more than chance, Note says so,
// and Spread gives limits that allow for it: then a place beyond the exact
// limits need not be special among them.
//
// Places without hours stay in the list and say why they are not compared.
// Without a case, or with fewer than two places with hours, the funnel is
// undefined. Counts must be in [0, 1e8] and exposures 0 or in [1e-9, 1e15];
// otherwise the error wraps [dist.ErrDomain].
//
// Spiegelhalter (2005), Statistics in Medicine 24:1185-1202: appendix A.1.1 for
// the exact limits, A.3 for winsorising at 10 % and the additive variance
// (formulae from memory of the paper). DerSimonian and Laird (1986), Controlled
// Clinical Trials 7:177-188, for the moment estimate.
func FunnelOf(places []Site, target float64) (Funnel, error) {
	const op = "sites: funnel"
	f := Funnel{Target: target, Given: target != 0}
	counts, exposures := make([]int, len(places)), make([]float64, len(places))
	for i, s := range places {
		f.Sites = append(f.Sites, FunnelSite{Site: s})
		switch {
		case s.Missing:
			f.Sites[i].Reason = "no hours recorded: a rate needs them"
		case s.Exposure == 0:
			f.Sites[i].Reason = "the hours are zero: a rate needs hours worked"
		default:
			counts[i], exposures[i] = s.Count, s.Exposure
			f.Compared++
			continue
		}
		if s.Count < 0 {
			return Funnel{}, dist.BadInt(op, fmt.Sprintf("counts[%d]", i), s.Count, "must be at least 0 and at most 1e8 cases")
		}
	}
	cases, exposure, err := checkSites(op, counts, exposures)
	if err != nil {
		return Funnel{}, err
	}
	if target != 0 && !(target > 0 && target <= maxExposure) {
		return Funnel{}, dist.BadFloat(op, "target", target, "must be above 0, or 0 for the rate of all places together")
	}
	switch {
	case f.Compared < 2:
		f.Reason = "fewer than two places have hours: there is nothing to compare"
		return f, nil
	case !f.Given && cases == 0:
		f.Reason = "no case at any place: there is no rate to compare with"
		return f, nil
	}
	if !f.Given {
		f.Target = float64(cases) / exposure
	}
	for i := range f.Sites {
		if s := &f.Sites[i]; s.Reason == "" {
			if err := f.place(s); err != nil {
				return Funnel{}, fmt.Errorf("%s: %w", op, err)
			}
		}
	}
	return f, f.spread(op)
}

// place fills what a site has by itself.
func (f *Funnel) place(s *FunnelSite) (err error) {
	if s.Exact, err = LimitsAt(f.Target, s.Exposure); err != nil {
		return err
	}
	s.Rate = float64(s.Count) / s.Exposure
	sd := math.Sqrt(f.Target / s.Exposure)
	s.Z = (s.Rate - f.Target) / sd
	s.Normal = f.around(sd)
	s.Standing = s.Exact.standing(s.Rate)
	s.Defined = true
	return nil
}

// around returns normal limits about the target.
func (f *Funnel) around(sd float64) Limits {
	z95, z998 := -mathext.NormalQuantile(0.025), -mathext.NormalQuantile(0.001)
	return Limits{
		Lower95: max(0, f.Target-z95*sd), Upper95: f.Target + z95*sd,
		Lower998: max(0, f.Target-z998*sd), Upper998: f.Target + z998*sd,
	}
}

// standing compares a rate with the limits; on a limit is not beyond it.
func (l Limits) standing(rate float64) Standing {
	switch {
	case rate > l.Upper998:
		return FarAbove
	case rate > l.Upper95:
		return Above
	case rate < l.Lower998:
		return FarBelow
	case rate < l.Lower95:
		return Below
	}
	return Inside
}

// spread works out how much places differ beyond chance.
func (f *Funnel) spread(op string) error {
	var z, w []float64
	for _, s := range f.Sites {
		if s.Defined {
			z, w = append(z, s.Z), append(w, s.Exposure/f.Target)
		}
	}
	n := float64(len(z))
	sorted := slices.Sorted(slices.Values(z))
	lo, hi := quantile7(sorted, 0.1), quantile7(sorted, 0.9)
	var sum, drawn, w1, w2 float64
	for i := range z {
		sum += z[i] * z[i]
		d := min(max(z[i], lo), hi)
		drawn += d * d
		w1 += w[i]
		w2 += w[i] * w[i]
	}
	f.Phi, f.PhiWinsorised = sum/n, drawn/n
	if left := w1 - w2/w1; left > 0 {
		f.Tau2 = max(0, (drawn-(n-1))/left)
	}
	if math.IsInf(f.Tau2, 0) || math.IsNaN(f.Tau2) || math.IsInf(sum, 0) {
		return dist.BadFloat(op, "target", f.Target, "is too far from the rates of the places: the spread overflows")
	}
	df := n
	if !f.Given {
		df--
	}
	p, err := dist.ChiSquareTail(sum, df)
	if err != nil {
		return fmt.Errorf("%s: %w", op, err)
	}
	f.DispersionP = p
	if p < 0.01 {
		f.Note = fmt.Sprintf("these places differ among themselves by more than chance (spread %.1f times what chance makes): one beyond the limits need not be special among them", f.Phi)
	}
	for i := range f.Sites {
		if s := &f.Sites[i]; s.Defined {
			sd := math.Sqrt(f.Target/s.Exposure + f.Tau2)
			s.ZSpread = (s.Rate - f.Target) / sd
			s.Spread = f.around(sd)
			s.SpreadStanding = s.Spread.standing(s.Rate)
		}
	}
	f.Defined = true
	return nil
}

// quantile7 returns the quantile of sorted values by linear interpolation
// between order statistics, which is type 7 of Hyndman and Fan (1996) and R's
// default.
func quantile7(sorted []float64, p float64) float64 {
	at := p * float64(len(sorted)-1)
	i := int(at)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + (at-float64(i))*(sorted[i+1]-sorted[i])
}
