package compute

import "fairlead/analytics/rate"

// Inputs that many methods share.

// longestSeries is the longest series a method takes unless it says otherwise:
// 166 years of months, or 27 of weeks and more than most have of days.
const longestSeries = 2000

const (
	mostCases = 1e9
	mostHours = 1e15
)

func levelInput() Input {
	return Input{Name: "level", Type: Number, About: "coverage of the interval", Range: from(0.5, 0.9999), Default: 0.95}
}

func baseInput() Input {
	return Input{Name: "base", Type: Number, About: "what a rate is quoted per", Unit: "units of exposure", Range: from(1e-9, 1e12), Default: 1e6}
}

// wordInputs are the words of sentences and drawings.
func wordInputs() []Input {
	return []Input{
		{Name: "event", Type: Text, About: "what one of the things counted is called", Default: "event"},
		{Name: "events", Type: Text, About: "what several are called; without it, an s is added"},
		{Name: "unit", Type: Text, About: "what exposure is counted in", Default: "hours"},
	}
}

func periodInput() Input {
	return Input{Name: "period", Type: Text, About: "what one point of the series is called", Default: "month"}
}

func seedInput() Input {
	return Input{Name: "seed", Type: Whole, About: "seed of the random draws; the same seed gives the same answer", Range: from(0, biggestWhole), Default: 0}
}

func countInput(name, about string) Input {
	return Input{Name: name, Type: Whole, About: about, Unit: "cases", Range: below(0, mostCases), Required: true}
}

func hoursInput(name, about string) Input {
	return Input{Name: name, Type: Number, About: about, Unit: "hours worked, or any other unit of exposure", Range: exposureRange(), Required: true}
}

// exposureRange is the domain of an exposure in package rate.
func exposureRange() Range { return Range{Lo: 1e-9, Hi: mostHours, Zero: true, bounded: true} }

// countsInput is a series of counts, with gaps.
func countsInput(about string) Input {
	return Input{Name: "counts", Type: Wholes, About: about, Unit: "cases", Range: below(0, mostCases), Required: true, Longest: longestSeries, Gaps: true}
}

// exposuresInput is a series of exposures, with gaps.
func exposuresInput(required bool) Input {
	return Input{Name: "exposures", Type: Numbers, About: "exposure of each period; null where it is not known", Unit: "hours worked, or any other unit", Range: exposureRange(), Required: required, Longest: longestSeries, Gaps: true}
}

func labelsInput(of string) Input {
	return Input{Name: "labels", Type: Texts, About: "name of each " + of + `, such as "2024-03"`, Longest: longestSeries}
}

// intervals are the kinds of interval of a count, by their name here.
func intervalInput(kinds ...string) Input {
	return Input{Name: "interval", Type: Text, About: "kind of interval", Choices: kinds, Default: kinds[0]}
}

func intervalMethod(name string) rate.Method {
	switch name {
	case "mid_p":
		return rate.MidP
	case "byar":
		return rate.Byar
	case "wilson":
		return rate.Wilson
	}
	return rate.Garwood
}

// join puts lists of inputs together.
func join(lists ...[]Input) []Input {
	var out []Input
	for _, l := range lists {
		out = append(out, l...)
	}
	return out
}
