package published

import (
	"fmt"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"

	"fairlead/analytics/spc"
)

// ruleTopic is fixture 07: run rules and their average run lengths.
func ruleTopic() topic {
	return topic{methods: map[string]Method{
		"run_rules":     runRules,
		"arl_rules":     arlRules,
		"arl_simulated": arlSimulated,
	}}
}

func runRules(in *Inputs) (Result, error) {
	z := in.Floats("z")
	if err := in.Err(); err != nil {
		return nil, err
	}
	s, err := spc.RunRules(z)
	if err != nil {
		return nil, err
	}
	out := Result{}
	for name, at := range map[string][]int{
		"we1": s.Beyond, "we2": s.TwoOfThree, "we3": s.FourOfFive, "we4": s.RunOfEight,
		"n1": s.Beyond, "n2": s.RunOfNine, "n3": s.Trend, "n4": s.Alternating,
		"n5": s.TwoOfThree, "n6": s.FourOfFive, "n7": s.Hugging, "n8": s.Mixture, "n8_any_side": s.Outside,
	} {
		positions := make([]int, len(at))
		for i, p := range at {
			positions[i] = p + 1
		}
		out[name] = positions
	}
	return out, nil
}

func arlRules(in *Inputs) (Result, error) {
	var r spc.ZoneRules
	for _, n := range in.Ints("western_electric") {
		switch n {
		case 1:
			r.Beyond = true
		case 2:
			r.TwoOfThree = true
		case 3:
			r.FourOfFive = true
		case 4:
			r.Run = in.IntOr("run_length_rule4", 8)
		default:
			in.fail("western_electric", "rule %d is not one of 1 to 4", n)
		}
	}
	shift := in.FloatOr("shift", 0)
	if err := in.Err(); err != nil {
		return nil, err
	}
	arl, err := r.ARL(shift)
	if err != nil {
		return nil, err
	}
	return Result{"arl": arl}, nil
}

var digits = regexp.MustCompile(`\d`)

// arlSimulated reads the rules as words ("all eight of Nelson") or as the
// numbers of Nelson's rules. Its seed is fixed, so that a run can be repeated.
func arlSimulated(in *Inputs) (Result, error) {
	text := strings.ToLower(in.StringOr("rules", "all eight of Nelson"))
	shift := in.FloatOr("shift", 0)
	if err := in.Err(); err != nil {
		return nil, err
	}
	run := spc.RunLength{Above: 9, Below: 9}
	var rules []spc.Rule
	switch {
	case strings.Contains(text, "western electric"):
		rules, run = spc.WesternElectric(), spc.RunLength{}
	case strings.Contains(text, "all"):
		rules = spc.Nelson()
	default:
		for _, d := range digits.FindAllString(text, -1) {
			n, err := strconv.Atoi(d)
			if err != nil || n < 1 || n > 8 {
				return nil, fmt.Errorf("input rules: %s is not one of Nelson's rules 1 to 8", d)
			}
			rules = append(rules, spc.Nelson()[n-1])
		}
	}
	const runs = 20_000
	s, err := spc.SimulateARL(rules, run, shift, runs, rand.New(rand.NewPCG(11, 7)))
	if err != nil {
		return nil, err
	}
	return Result{"arl": s.ARL, "standard_error": s.StandardError, "runs": s.Runs}, nil
}
