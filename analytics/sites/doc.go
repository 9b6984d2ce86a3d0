// Package sites compares workplaces, crews and contractors without ranking
// them: which differ by more than chance ([FunnelOf]), what each one's rate
// probably is ([Shrink]), which report so little for their hours that nothing
// is known about them ([Silent]), and whether a place changed against others
// like it ([BeforeAfter]).
//
// It is a step on the way of a figure beside rate: services hand in cases and
// hours by place and get back figures that know how little a small place can
// tell. Small places fill both ends of any league table by luck alone; here
// they lie inside a funnel that widens for them, or are drawn towards the
// average in proportion to what is not known.
//
// The package never sorts places by rate, never calls silence good (few reports
// for the hours are "unknown"), never compares without hours, and never returns
// NaN or an infinity.
package sites
