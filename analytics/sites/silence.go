package sites

import (
	"cmp"
	"fmt"
	"slices"

	"fairlead/analytics/dist"
)

// SilenceOptions choose when a crew counts as silent. The zero value keeps the
// chance of a false alarm anywhere in the list at 5 %.
type SilenceOptions struct {
	Alarm float64 // chance of any false alarm in the whole list; 0 means 0.05
}

// Silence is which crews report too little for their hours. It means something
// only when Defined is true; crews keep the order they came in.
type Silence struct {
	Crews   []Quiet
	Looked  int // crews with hours, all of them looked at
	Flagged int
	Alarm   float64 // chance that a list like this flags any crew though none is silent
	Method  string
	Defined bool
	Reason  string // why it is undefined; empty when it is defined
}

// Quiet is one crew. When Defined is false nothing but the Site and Reason means
// anything.
type Quiet struct {
	Site
	Expected float64 // reports to be expected from the other crews' rates
	Chance   float64 // chance of so few or fewer from a crew like the others
	Adjusted float64 // the same, allowing for all crews looked at (Holm's steps)
	// Silent is true when so few reports are more than chance: what happens there
	// is not known. It says nothing about danger.
	Silent bool
	// CanTell is false when the hours are too few for even no report at all to be
	// remarkable.
	CanTell bool
	// Needed is the hours after which no report at all would be remarkable;
	// NeverTells says that no number of hours would be, because the other crews
	// differ so much that a crew with next to nothing to report may be one of
	// them.
	Needed     float64
	NeverTells bool
	Defined    bool
	Reason     string
}

// Silent finds crews that report too little for their hours. What is to be
// expected of a crew is learnt from all the others: from their pooled rate, from
// how much they differ among themselves, and from how little is known of both.
// Chances are corrected over all crews looked at, so that the whole list raises
// a false alarm with probability o.Alarm at most.
//
// The finding reads "unknown", never "good": few reports come from safe work,
// and from people who do not tell.
//
// Fewer than three crews with hours, or no report from any, leave the result
// undefined. Crews without hours stay in the list and say so. The domain is that
// of [FunnelOf], with at most 2,000 crews, and o.Alarm in (0, 0.5]; otherwise the
// error wraps [dist.ErrDomain].
//
// A gamma-Poisson model, integrated over the mean rate (flat on the log scale)
// and over the spread between crews (coefficient of variation half-normal with
// scale 0.7, up to 2); Gelman et al. (2014), Bayesian Data Analysis, chapter 5.
func Silent(crews []Site, o SilenceOptions) (Silence, error) {
	const op = "sites: silent"
	if o.Alarm == 0 {
		o.Alarm = 0.05
	}
	if !(o.Alarm > 0 && o.Alarm <= 0.5) {
		return Silence{}, dist.BadFloat(op, "alarm", o.Alarm, "must be above 0 and at most 0.5, such as 0.05")
	}
	if len(crews) > 2000 {
		return Silence{}, dist.BadInt(op, "crews", len(crews), "must be at most 2,000")
	}
	s := Silence{Alarm: o.Alarm, Method: "gamma-Poisson, learnt from the other crews, corrected over all (Holm)"}
	counts, exposures := make([]int, len(crews)), make([]float64, len(crews))
	for i, c := range crews {
		s.Crews = append(s.Crews, Quiet{Site: c, Chance: 1, Adjusted: 1})
		switch {
		case c.Missing:
			s.Crews[i].Reason = "no hours recorded: without them nobody can say what to expect"
		case c.Exposure == 0:
			s.Crews[i].Reason = "the hours are zero: nothing is to be expected"
		default:
			counts[i], exposures[i] = c.Count, c.Exposure
			s.Looked++
			continue
		}
		if c.Count < 0 {
			return Silence{}, dist.BadInt(op, fmt.Sprintf("counts[%d]", i), c.Count, "must be at least 0 and at most 1e8 cases")
		}
	}
	cases, _, err := checkSites(op, counts, exposures)
	if err != nil {
		return Silence{}, err
	}
	switch {
	case s.Looked < 3:
		s.Reason = "fewer than three crews have hours: there is too little to learn from"
		return s, nil
	case cases == 0:
		s.Reason = "no report from any crew: all of them are silent, or none"
		return s, nil
	}
	if err := s.look(); err != nil {
		return Silence{}, fmt.Errorf("%s: %w", op, err)
	}
	s.Defined = true
	return s, nil
}

// look judges the crews by steps: the quietest first, against a limit that
// allows for all crews still looked at. A crew found silent is left out of what
// the others are measured by, for it would make crews look so different among
// themselves that a second silent one, or too few hours, could not be told.
func (s *Silence) look() error {
	var active []int
	for i, q := range s.Crews {
		if q.Reason == "" {
			active = append(active, i)
			s.Crews[i].Defined = true
		}
	}
	last := 0.0
	for {
		if err := s.learn(active); err != nil {
			return err
		}
		slices.SortStableFunc(active, func(a, b int) int { return cmp.Compare(s.Crews[a].Chance, s.Crews[b].Chance) })
		q := &s.Crews[active[0]]
		last = max(last, min(1, q.Chance*float64(len(active))))
		if last > s.Alarm || len(active) <= 3 {
			break
		}
		q.Adjusted, q.Silent = last, true
		s.Flagged++
		active = active[1:]
	}
	for rank, i := range active {
		q := &s.Crews[i]
		last = max(last, min(1, q.Chance*float64(len(active)-rank)))
		q.Adjusted, q.Silent = last, last <= s.Alarm
		if q.Silent {
			s.Flagged++
		}
	}
	return nil
}

// learn works out for each of the crews what the others among them lead to
// expect.
func (s *Silence) learn(active []int) error {
	slices.Sort(active)
	var g group
	cases, exposure := 0.0, 0.0
	for _, i := range active {
		y, t := float64(s.Crews[i].Count), s.Crews[i].Exposure
		g.y, g.t = append(g.y, y), append(g.t, t)
		cases += y
		exposure += t
	}
	if cases == 0 {
		return nil // all reports came from crews set aside: nothing more to learn
	}
	m := newMixture(g, cases/exposure)
	for k, i := range active {
		q, others := &s.Crews[i], m.without(k)
		q.Expected = others.mean() * q.Exposure
		var err error
		if q.Chance, err = others.atMost(q.Count, q.Exposure); err != nil {
			return err
		}
		// The strictest step is the one that must be passed first: by it a crew
		// can be judged alone.
		q.Needed, q.NeverTells = others.hoursToTell(s.Alarm / float64(s.Looked))
		q.CanTell = !q.NeverTells && q.Exposure >= q.Needed
	}
	return nil
}
