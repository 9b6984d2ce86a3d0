package workplace

import (
	"regexp"
	"strings"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
)

// iso3166 is the form of a country code, alone or with its subdivision.
var iso3166 = regexp.MustCompile(`^[A-Z]{2}(-[A-Z0-9]{1,3})?$`)

// named is the form of a workplace's name. An update is not checked for it by
// the contract, which looks at what results.
var named = regexp.MustCompile(`^workplaces/[a-z0-9][a-z0-9-]{0,62}$`)

// earliest is before every time that the house keeps.
var earliest = time.Date(1950, 1, 1, 0, 0, 0, 0, time.UTC)

// check returns what is wrong with a workplace taken by itself. What the
// contract says of single fields was checked before.
func check(w *pb.Workplace) fault.Violations {
	var vs fault.Violations
	root := w.GetParent() == ""
	if strings.TrimSpace(w.GetTitle()) == "" {
		vs.Add("workplace.title", "is needed: what do people call it?")
	}
	organisation := w.GetLevel() == pb.WorkplaceLevel_WORKPLACE_LEVEL_ORGANISATION
	switch {
	case root && !organisation:
		vs.Add("workplace.parent", "is needed: only the organisation stands at the top")
	case !root && organisation:
		vs.Add("workplace.level", "must be a site, an area or a crew: the organisation stands at the top, without a parent")
	}
	switch zone := w.GetTimeZone(); {
	case zone == "" && root:
		vs.Add("workplace.time_zone", "is needed at the top of the tree, such as Australia/Sydney")
	case zone != "" && !loads(zone):
		vs.Add("workplace.time_zone", "is not a time zone known here; give an IANA name such as Australia/Sydney")
	}
	if j := w.GetJurisdiction(); j != "" && !iso3166.MatchString(j) {
		vs.Add("workplace.jurisdiction", "must be an ISO 3166-2 code such as AU-NSW, or a country such as NZ")
	}
	if c := w.GetCloseTime(); c != nil {
		switch {
		case !c.IsValid() || c.AsTime().Before(earliest):
			vs.Add("workplace.close_time", "must be a time from 1950 on")
		case root:
			vs.Add("workplace.close_time", "cannot be given to the top of the tree: reports could go nowhere; close what is below it")
		}
	}
	return vs
}

// loads reports whether a time zone is known. "Local" is whatever the server
// happens to run in, which is no place.
func loads(zone string) bool {
	if zone == "Local" {
		return false
	}
	_, err := time.LoadLocation(zone)
	return err == nil
}

// unknownWorkplace says that a workplace is not there and what it may have been
// meant to be.
func unknownWorkplace(t *Tree, name string) string {
	near := t.Nearest(name, 3)
	if len(near) == 0 {
		return "is not a workplace here; list the workplaces to see their names"
	}
	return "is not a workplace here; did you mean " + strings.Join(near, " or ") + "?"
}
