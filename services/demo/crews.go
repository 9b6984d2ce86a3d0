package demo

import pb "fairlead/proto/gen/fairlead/v1"

// Months is how many months the world spans.
const Months = 36

// place is a node of the workplace tree.
type place struct {
	id, parent, title string
	level             pb.WorkplaceLevel
}

const (
	organisation = pb.WorkplaceLevel_WORKPLACE_LEVEL_ORGANISATION
	site         = pb.WorkplaceLevel_WORKPLACE_LEVEL_SITE
	crewLevel    = pb.WorkplaceLevel_WORKPLACE_LEVEL_CREW
)

// Root is the resource name of the whole shire.
const Root = "workplaces/brindle-range"

var places = []place{
	{"brindle-range", "", "Brindle Range Shire outdoor works", organisation},
	{"northside", "brindle-range", "Northside depot", site},
	{"quarry-road", "brindle-range", "Quarry Road depot", site},
	{"lakeside", "brindle-range", "Lakeside nursery", site},
	{"transfer-station", "brindle-range", "Transfer station", site},
	{"workshop", "brindle-range", "Workshop", site},
	{"northside-trees", "northside", "Tree crew", crewLevel},
	{"northside-mowing", "northside", "Mowing crew", crewLevel},
	{"quarry-road-roads", "quarry-road", "Roads crew", crewLevel},
	{"quarry-road-drainage", "quarry-road", "Drainage crew", crewLevel},
	{"lakeside-nursery", "lakeside", "Nursery crew", crewLevel},
	{"transfer-waste", "transfer-station", "Waste crew", crewLevel},
	{"workshop-fitters", "workshop", "Fitters", crewLevel},
}

// crew is a group that works hours and has things happen to it. Rates are true
// events per 100,000 hours.
type crew struct {
	id       string
	heads    [3]int // employees, labour hire, contractors
	hurt     float64
	nearMiss float64
	hazard   float64
	damage   float64
	release  float64
	// changes of the true rates, by month counted from 1
	changes []change
	stories string // key into stories
}

// change multiplies a rate from a month on.
type change struct {
	from  int
	kind  pb.ReportKind
	story string // only this story; empty: all
	by    float64
}

const (
	hurt     = pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS
	nearMiss = pb.ReportKind_REPORT_KIND_NEAR_MISS
	hazard   = pb.ReportKind_REPORT_KIND_HAZARD
	damage   = pb.ReportKind_REPORT_KIND_DAMAGE
	release  = pb.ReportKind_REPORT_KIND_RELEASE
)

// crews adds up to 210 people, 70 of them labour hire or contractors.
var crews = []crew{
	{id: "northside-trees", heads: [3]int{18, 4, 6}, hurt: 34, nearMiss: 95, hazard: 80, damage: 14, release: 4, stories: "trees"},
	{id: "northside-mowing", heads: [3]int{24, 10, 2}, hurt: 62, nearMiss: 80, hazard: 60, damage: 16, release: 4, stories: "mowing",
		changes: []change{{from: 25, kind: hurt, story: "thrown", by: 0.25}}},
	{id: "quarry-road-roads", heads: [3]int{30, 8, 8}, hurt: 30, nearMiss: 85, hazard: 70, damage: 16, release: 5, stories: "roads"},
	{id: "quarry-road-drainage", heads: [3]int{18, 6, 4}, hurt: 32, nearMiss: 8, hazard: 7, damage: 4, release: 2, stories: "drainage"},
	{id: "lakeside-nursery", heads: [3]int{14, 4, 0}, hurt: 26, nearMiss: 70, hazard: 65, damage: 6, release: 4, stories: "nursery",
		changes: []change{{from: 27, kind: nearMiss, by: 3}}},
	{id: "transfer-waste", heads: [3]int{22, 14, 2}, hurt: 34, nearMiss: 70, hazard: 75, damage: 12, release: 6, stories: "waste",
		changes: []change{{from: 25, kind: hurt, by: 3}}},
	{id: "workshop-fitters", heads: [3]int{14, 0, 2}, hurt: 30, nearMiss: 60, hazard: 70, damage: 8, release: 8, stories: "workshop"},
}

// luckyMonth is the month, counted from 1, in which the roads crew has three
// lost-time injuries by luck alone.
const luckyMonth = 31

// People is how many people the world has.
func People() int {
	n := 0
	for _, c := range crews {
		n += c.heads[0] + c.heads[1] + c.heads[2]
	}
	return n
}
