package access

import (
	"slices"

	"fairlead/services/fault"
)

// Tree answers where a workplace stands.
type Tree interface {
	// Within reports whether workplace is ancestor or below it.
	Within(workplace, ancestor string) bool
}

// Narrow returns the workplaces that a question may be answered for: those
// asked for, cut down to what who may see. Empty asked means "all I may see";
// empty result means the whole tree. A workplace wholly outside is
// PERMISSION_DENIED, whether it exists or not.
func Narrow(who Principal, t Tree, asked []string) ([]string, error) {
	if len(who.Workplaces) == 0 {
		return asked, nil
	}
	if len(asked) == 0 {
		return slices.Clone(who.Workplaces), nil
	}
	var out []string
	for _, a := range asked {
		before := len(out)
		for _, w := range who.Workplaces {
			switch {
			case t.Within(a, w):
				out = append(out, a)
			case t.Within(w, a):
				out = append(out, w)
			}
		}
		if len(out) == before {
			return nil, fault.Denied("your role does not reach that workplace; ask whoever looks after access")
		}
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

// SeesReport reports whether who may see a report at workplace.
func SeesReport(who Principal, t Tree, workplace, report string) bool {
	return slices.Contains(who.Reports, report) || Sees(who, t, workplace)
}

// Sees reports whether who may see what happened at workplace.
func Sees(who Principal, t Tree, workplace string) bool {
	return len(who.Workplaces) == 0 ||
		slices.ContainsFunc(who.Workplaces, func(w string) bool { return t.Within(workplace, w) })
}
