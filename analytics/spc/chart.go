package spc

// Kind names a control chart in the word the trade uses for it.
type Kind string

// The charts of counts and proportions. The zero value is no chart: too few
// data for any.
const (
	NoChart Kind = ""
	C       Kind = "c"  // counts, over steady exposure
	U       Kind = "u"  // counts per exposure
	NP      Kind = "np" // number out of a steady number
	P       Kind = "p"  // share out of a varying number
	LaneyU  Kind = "Laney u′"
	LaneyP  Kind = "Laney p′"
	G       Kind = "g" // whole units (days, cases) between events
	T       Kind = "t" // time (hours, days) between events
	IMR     Kind = "I" // single measurements
	XCusum  Kind = "CUSUM"
	XEwma   Kind = "EWMA"
)

// LimitKind names how limits are set.
type LimitKind string

const (
	// Sigma sets limits a number of standard deviations off the centre.
	Sigma LimitKind = "sigma"
	// Probability sets limits by the exact Poisson or binomial distribution,
	// so that chance alone crosses either with at most a stated probability.
	Probability LimitKind = "probability"
)

// Side says where something lies against the centre line or the limits.
type Side int8

// The sides. Within is also the side of a point exactly on a limit.
const (
	Below  Side = -1
	Within Side = 0
	Above  Side = 1
)

// String returns "above", "below" or "within".
func (s Side) String() string {
	switch s {
	case Above:
		return "above"
	case Below:
		return "below"
	}
	return "within"
}

// Period is one month (or week, or sample) handed to a chart.
type Period struct {
	Label    string  // as printed: "Mar 2024"
	Count    int     // cases
	Exposure float64 // hours worked for a u-chart, number examined for p and np; not read by c
	Missing  bool    // nothing is known for this period: a gap
}

// Point is one point of a chart. When Missing is true nothing but Label, Count
// and Why means anything.
type Point struct {
	Label      string
	Count      int
	Exposure   float64
	Value      float64 // plotted: count, count per base, share, or gap length
	Center     float64 // centre line at this point
	Sigma      float64 // standard deviation of Value by chance alone, at the centre
	Z          float64 // (Value - Center) / Sigma; 0 when Sigma is 0
	PlainSigma float64 // Sigma before Laney's factor; 0 on charts of single values
	LCL, UCL   float64
	HasLCL     bool // a chart of few counts has no lower limit to cross
	HasUCL     bool
	Beyond     Side // outside a limit; a point on a limit is Within
	Phase      int  // index into Chart.Phases
	Missing    bool
	Why        string // why it is missing, in a few words
}

// Phase is a stretch of points that share a centre. A new one begins where a
// decision was recorded; inside one the centre is frozen after its baseline.
type Phase struct {
	First, Last   int    // points, from 0, both included
	Note          string // the decision behind a new phase; empty for the first
	BaselineFirst int    // points the centre was computed from
	BaselineLast  int
	Periods       int     // periods with data in the baseline
	Events        int     // cases in the baseline
	Center        float64 // in the unit of Value (for np: the share)
	SigmaZ        float64 // Laney's factor; 1 for plain charts
	Given         bool    // the centre was handed in, not computed
	Defined       bool    // there was something to compute a centre from
}

// Signal is one finding of one rule.
type Signal struct {
	Rule   Rule
	Side   Side
	Points []int // points of the pattern, from 0, in order
	At     int   // the point that completed the pattern
}

// Chart is a computed control chart.
type Chart struct {
	Kind       Kind
	Limits     LimitKind
	Method     string  // kind and limits in words, for print
	Base       float64 // Value is per Base units of exposure; 1 when it is not a rate
	Center     float64 // of the last phase
	Points     []Point
	Phases     []Phase
	Rules      []Rule
	RunLength  RunLength // length asked of the run rule, by side
	Signals    []Signal  // in order of the completing point
	Dispersion Dispersion
	LeastGap   int      // G: the least possible gap, 0 or 1
	Notes      []string // what a reader must know, in sentences
}

// RunLength is how many successive points on one side make a run. Eight on
// each side is the default. Where counts are few the two sides are not equally
// likely, and lengths that are can be asked for; see [MatchedRuns].
type RunLength struct {
	Above, Below int
}
