package measure

import (
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/harm"
)

// Bases, in hours or workers.
const (
	perMillion         = 1_000_000
	perTwoHundredK     = 200_000
	perHundredMillion  = 100_000_000
	perHundredThousand = 100_000
	perThousand        = 1_000
	perHundred         = 100
)

// Sources that are named more than once. "From memory" marks what nobody read in
// print while this was written; "trade practice" what no standard defines.
const (
	sourceAS  = "AS 1885.1-1990, as restated by Safe Work Australia and WorkSafe WA"
	sourceILO = "ILO, resolution of the 16th ICLS (1998)"
	sourceUS  = "29 CFR 1904; COMAR 09.12.24.08; BLS definitions"
	sourceWA  = "WA Resources Safety, explanatory notes 2004-05; WHS (Mines) Regulations 2022 (WA), Schedule 25"
	sourceUK  = "UK HSE, injury frequency rates; RIDDOR 2013, regulation 4(2)"
	sourceZ   = "ANSI Z16.1-1967, as restated in secondary sources; history"
	sourceIO  = "IOGP safety performance indicators, glossary"
	noSource  = "no standard fixes it; this base is a choice and stands beside every figure"
)

// What counts under AS 1885.1, in words.
const (
	lostTimeWords = "deaths, lasting incapacity, and cases with at least one full day or shift away after the day of the event, injuries and diseases alike; each case once, in its worst class, in the month of its event"
	daysWords     = "rostered days or shifts away after the day of the event, in the month of the event; a death is charged 220 days, and no case counts for more than 220 (the cap for every case: from memory)"
)

// lti, and the sets below, are the classes that make up a numerator.
var (
	lti         = []pb.OutcomeClass{lostTime, lasting, death}
	ltiNotFatal = []pb.OutcomeClass{lostTime, lasting}
	recordable  = []pb.OutcomeClass{medical, restricted, lostTime, lasting, death}
	deaths      = []pb.OutcomeClass{death}
)

// conventions is every measure the service works out. It is data: what is counted,
// over what, by whose definition.
var conventions = []convention{
	{
		id: pb.Convention_CONVENTION_AS_1885_1, name: "AS 1885.1", days: harm.AS1885,
		cautions: []string{
			"AS 1885.1-1990 is an old edition, and one secondary source calls it withdrawn (not confirmed). Lost-time cases are not serious claims: never set these figures beside claims rates.",
		},
		rules: append([]rule{
			{id: "frequency_rate", title: "Lost-time frequency rate", one: "lost-time case", many: "lost-time cases",
				formula: "lost-time cases × 1,000,000 / hours worked", counts: lostTimeWords,
				pick: pick{outcomes: lti}, form: perHours, base: perMillion, source: sourceAS, riseIsWorse: true},
			{id: "incidence_rate", title: "Lost-time incidence rate", one: "lost-time case", many: "lost-time cases",
				formula: "lost-time cases × 100 / average number of workers", counts: lostTimeWords + "; a part-timer is one worker",
				pick: pick{outcomes: lti}, form: perWorkers, base: perHundred, source: sourceAS, riseIsWorse: true},
			{id: "average_time_lost_rate", title: "Average time lost", one: "day lost", many: "days lost",
				formula: "days lost / lost-time cases", counts: daysWords,
				pick: pick{outcomes: lti}, form: daysPerCase, base: 1, source: sourceAS + "; days by WA Resources Safety notes 2004-05", riseIsWorse: true},
			{id: "severity_rate", title: "Severity rate", one: "day lost", many: "days lost",
				formula: "days lost × 1,000,000 / hours worked (frequency rate × average time lost)", counts: daysWords,
				pick: pick{outcomes: lti}, form: daysPerHours, base: perMillion, source: "Queensland mines practice; not a measure of AS 1885.1 itself", riseIsWorse: true},
			{id: "severity_percentage", title: "Severe share of lost-time cases", one: "severe case", many: "severe cases",
				formula: "lost-time cases of 60 days or more, deaths included × 100 / lost-time cases", counts: "of the lost-time cases, those with 60 or more days lost, and deaths",
				pick: pick{outcomes: lti}, form: shareOfCases, base: perHundred, source: "WA public sector annual reporting; formula from memory", riseIsWorse: true},
			{id: "fatality_incidence", title: "Fatality incidence", one: "death", many: "deaths",
				formula: "deaths × 100,000 / average number of workers", counts: "deaths, in the month of the event",
				pick: pick{outcomes: deaths}, form: perWorkers, base: perHundredThousand, source: "Safe Work Australia practice; not a measure of AS 1885.1 itself", riseIsWorse: true},
			{id: "trifr", title: "Total recordable frequency rate", one: "recordable case", many: "recordable cases",
				formula: "(deaths + lost time + restricted work + medical treatment) × 1,000,000 / hours worked", counts: "deaths, lasting incapacity, lost time, restricted work and treatment beyond first aid; each case once, in its worst class",
				pick: pick{outcomes: recordable}, form: perHours, base: perMillion, source: "Australian trade practice and ICMM; base from memory", riseIsWorse: true},
			{id: "trifr_without_restricted", title: "Total recordable frequency rate without restricted work", one: "recordable case", many: "recordable cases",
				formula: "(deaths + lost time + medical treatment) × 1,000,000 / hours worked", counts: "deaths, lasting incapacity, lost time and treatment beyond first aid; restricted work left out, as in older use",
				pick: pick{outcomes: []pb.OutcomeClass{medical, lostTime, lasting, death}}, form: perHours, base: perMillion, source: "older Australian trade practice (secondary source)", riseIsWorse: true},
			{id: "mtifr", title: "Medical treatment frequency rate", one: "medical treatment case", many: "medical treatment cases",
				formula: "medical treatment cases × 1,000,000 / hours worked", counts: "treatment beyond first aid, with neither lost time nor restricted work",
				pick: pick{outcomes: []pb.OutcomeClass{medical}}, form: perHours, base: perMillion, source: "Australian trade practice", riseIsWorse: true},
			{id: "mean_hours_between", title: "Mean hours between lost-time cases", one: "lost-time case", many: "lost-time cases",
				formula: "hours worked / lost-time cases", counts: lostTimeWords,
				pick: pick{outcomes: lti}, form: hoursPerCase, base: 1, source: "derived: the frequency rate turned over"},
		}, reporting(perMillion)...),
	},
	{
		id: pb.Convention_CONVENTION_US, name: "29 CFR 1904 (United States)", days: harm.US1904,
		rules: append([]rule{
			{id: "trc", title: "Total recordable cases (TRC)", one: "recordable case", many: "recordable cases",
				formula: "(days away + transfer or restriction + other recordable) × 200,000 / hours worked", counts: "cases with days away, with restricted or changed duties, and with treatment beyond first aid; lasting incapacity counts as days away; deaths are outside (BLS, columns H, I and J)",
				pick: pick{outcomes: []pb.OutcomeClass{medical, restricted, lostTime, lasting}}, form: perHours, base: perTwoHundredK, source: sourceUS, riseIsWorse: true},
			{id: "dart", title: "Days away, restricted or transferred (DART)", one: "DART case", many: "DART cases",
				formula: "(days away + transfer or restriction) × 200,000 / hours worked", counts: "cases with days away or with restricted or changed duties; lasting incapacity counts as days away; deaths are outside (columns H and I)",
				pick: pick{outcomes: []pb.OutcomeClass{restricted, lostTime, lasting}}, form: perHours, base: perTwoHundredK, source: sourceUS, riseIsWorse: true},
			{id: "dafwii", title: "Days away from work (DAFWII)", one: "days-away case", many: "days-away cases",
				formula: "days-away cases × 200,000 / hours worked", counts: "cases with days away; lasting incapacity counts as days away; deaths are outside (column H)",
				pick: pick{outcomes: ltiNotFatal}, form: perHours, base: perTwoHundredK, source: "29 CFR 1904; OSHA FAQ 69", riseIsWorse: true},
			{id: "severity_rate", title: "Severity rate", one: "day away", many: "days away",
				formula: "days away × 200,000 / hours worked", counts: "calendar days away after the day of injury, at most 180 a case with restricted days; restricted days are not added, and deaths carry no days",
				pick: pick{outcomes: ltiNotFatal}, form: daysPerHours, base: perTwoHundredK, source: "US trade practice (low authority); days by 29 CFR 1904.7(b)(3)", riseIsWorse: true},
		}, reporting(perTwoHundredK)...),
	},
	{
		id: pb.Convention_CONVENTION_ILO, name: "ILO, 16th ICLS (1998)", days: harm.ILO,
		cautions: []string{"The ILO rates count injuries from accidents, not diseases, and ask for full-time equivalents; heads are kept here, so incidence is lower where many work part time."},
		rules: append([]rule{
			{id: "frequency_rate", title: "Frequency rate", one: "new case", many: "new cases",
				formula: "new cases × 1,000,000 / hours worked", counts: "injuries with death, lasting incapacity, or at least one day away after the day of the accident",
				pick: pick{outcomes: lti, injuries: true}, form: perHours, base: perMillion, source: sourceILO, riseIsWorse: true},
			{id: "frequency_rate_fatal", title: "Frequency rate, fatal", one: "fatal case", many: "fatal cases",
				formula: "fatal cases × 1,000,000 / hours worked", counts: "injuries that led to death",
				pick: pick{outcomes: deaths, injuries: true}, form: perHours, base: perMillion, source: sourceILO, riseIsWorse: true},
			{id: "frequency_rate_non_fatal", title: "Frequency rate, not fatal", one: "case that was not fatal", many: "cases that were not fatal",
				formula: "cases that were not fatal × 1,000,000 / hours worked", counts: "injuries with lasting incapacity or at least one day away after the day of the accident",
				pick: pick{outcomes: ltiNotFatal, injuries: true}, form: perHours, base: perMillion, source: sourceILO, riseIsWorse: true},
			{id: "incidence_rate", title: "Incidence rate", one: "new case", many: "new cases",
				formula: "new cases × 1,000 / average number of workers", counts: "injuries with death, lasting incapacity, or at least one day away after the day of the accident",
				pick: pick{outcomes: lti, injuries: true}, form: perWorkers, base: perThousand, source: sourceILO, riseIsWorse: true},
			{id: "incidence_rate_fatal", title: "Incidence rate, fatal", one: "fatal case", many: "fatal cases",
				formula: "fatal cases × 1,000 / average number of workers", counts: "injuries that led to death",
				pick: pick{outcomes: deaths, injuries: true}, form: perWorkers, base: perThousand, source: sourceILO, riseIsWorse: true},
			{id: "incidence_rate_non_fatal", title: "Incidence rate, not fatal", one: "case that was not fatal", many: "cases that were not fatal",
				formula: "cases that were not fatal × 1,000 / average number of workers", counts: "injuries with lasting incapacity or at least one day away after the day of the accident",
				pick: pick{outcomes: ltiNotFatal, injuries: true}, form: perWorkers, base: perThousand, source: sourceILO, riseIsWorse: true},
			{id: "severity_rate", title: "Severity rate", one: "day lost", many: "days lost",
				formula: "days lost × 1,000,000 / hours worked", counts: "calendar days of temporary incapacity from the day after the accident, up to one year; deaths and lasting incapacity carry no days (calendar days and the multiplier: from memory)",
				pick: pick{outcomes: []pb.OutcomeClass{lostTime}, injuries: true}, form: daysPerHours, base: perMillion, source: sourceILO, riseIsWorse: true},
			{id: "average_time_lost_rate", title: "Days lost per new case", one: "day lost", many: "days lost",
				formula: "days lost / cases of temporary incapacity", counts: "calendar days of temporary incapacity from the day after the accident, up to one year; the mean (the resolution also admits the median)",
				pick: pick{outcomes: []pb.OutcomeClass{lostTime}, injuries: true}, form: daysPerCase, base: 1, source: sourceILO + "; detail from memory", riseIsWorse: true},
		}, reporting(perMillion)...),
	},
	{
		id: pb.Convention_CONVENTION_WA_MINING, name: "Western Australian mining", days: harm.WAMining,
		cautions: []string{"The published tables add recurrent and carried-over days to the year in which they fall; here days stay with the month of the event."},
		rules: append([]rule{
			{id: "frequency_rate", title: "Lost-time frequency rate", one: "lost-time injury", many: "lost-time injuries",
				formula: "lost-time injuries × 1,000,000 / hours worked", counts: "injuries with at least one full day or shift away at any time after the day of the injury; deaths are outside",
				pick: pick{outcomes: ltiNotFatal, injuries: true}, form: perHours, base: perMillion, source: sourceWA, riseIsWorse: true},
			{id: "incidence_rate", title: "Lost-time incidence rate", one: "lost-time injury", many: "lost-time injuries",
				formula: "lost-time injuries × 1,000 / average number of workers", counts: "injuries with at least one full day or shift away at any time after the day of the injury; deaths are outside",
				pick: pick{outcomes: ltiNotFatal, injuries: true}, form: perWorkers, base: perThousand, source: sourceWA, riseIsWorse: true},
			{id: "average_time_lost_rate", title: "Duration rate", one: "day lost", many: "days lost",
				formula: "days lost / lost-time injuries", counts: "days or shifts away after the day of the injury; restricted duties and deaths are outside",
				pick: pick{outcomes: ltiNotFatal, injuries: true}, form: daysPerCase, base: 1, source: sourceWA, riseIsWorse: true},
		}, reporting(perMillion)...),
	},
	{
		id: pb.Convention_CONVENTION_UK, name: "United Kingdom",
		cautions: []string{"Injuries that RIDDOR lists as specified are not recognised here unless seven days were lost or the harm is lasting, so these rates are lower than the published ones. Published rates are for a year."},
		rules: append([]rule{
			{id: "incidence_rate", title: "Incidence rate", one: "over-seven-day or worse injury", many: "over-seven-day or worse injuries",
				formula: "injuries × 100,000 / average number of workers", counts: "deaths, lasting incapacity, and injuries with more than seven consecutive days away or on restricted duties after the day of the accident",
				pick: pick{outcomes: []pb.OutcomeClass{restricted, lostTime, lasting, death}, injuries: true, overDays: 7}, form: perWorkers, base: perHundredThousand, source: sourceUK, riseIsWorse: true},
			{id: "frequency_rate", title: "Accident frequency rate (AFR)", one: "over-seven-day or worse injury", many: "over-seven-day or worse injuries",
				formula: "injuries × 100,000 / hours worked", counts: "deaths, lasting incapacity, and injuries with more than seven consecutive days away or on restricted duties after the day of the accident",
				pick: pick{outcomes: []pb.OutcomeClass{restricted, lostTime, lasting, death}, injuries: true, overDays: 7}, form: perHours, base: perHundredThousand, source: "UK trade practice (low authority); the HSE counts per million hours", riseIsWorse: true},
			{id: "fatality_incidence", title: "Fatality incidence", one: "death", many: "deaths",
				formula: "deaths × 100,000 / average number of workers", counts: "injuries that led to death",
				pick: pick{outcomes: deaths, injuries: true}, form: perWorkers, base: perHundredThousand, source: "UK HSE", riseIsWorse: true},
		}, reporting(perHundredThousand)...),
	},
	{
		id: pb.Convention_CONVENTION_ANSI_Z16, name: "ANSI Z16.1-1967 (history)", days: harm.Z16,
		cautions: []string{"ANSI Z16.1 is history. Charges for lasting partial disability need the part lost, which is not recorded: such cases carry their calendar days only."},
		rules: append([]rule{
			{id: "frequency_rate", title: "Disabling injury frequency rate", one: "disabling injury", many: "disabling injuries",
				formula: "disabling injuries × 1,000,000 / hours worked", counts: "injuries and diseases with death, lasting incapacity, or a day away after the day of the injury (diseases: from memory)",
				pick: pick{outcomes: lti}, form: perHours, base: perMillion, source: sourceZ, riseIsWorse: true},
			{id: "severity_rate", title: "Disabling injury severity rate", one: "day charged", many: "days charged",
				formula: "days charged × 1,000,000 / hours worked", counts: "calendar days away, and 6,000 days for a death",
				pick: pick{outcomes: lti}, form: daysPerHours, base: perMillion, source: sourceZ, riseIsWorse: true},
			{id: "average_time_lost_rate", title: "Average days charged", one: "day charged", many: "days charged",
				formula: "days charged / disabling injuries", counts: "calendar days away, and 6,000 days for a death",
				pick: pick{outcomes: lti}, form: daysPerCase, base: 1, source: sourceZ + "; from memory", riseIsWorse: true},
		}, reporting(perMillion)...),
	},
	{
		id: pb.Convention_CONVENTION_IOGP, name: "IOGP",
		rules: append([]rule{
			{id: "ltif", title: "Lost-time injury frequency (LTIF)", one: "lost-time injury", many: "lost-time injuries",
				formula: "(deaths + lost-workday cases) × 1,000,000 / hours worked", counts: "injuries with death, lasting incapacity, or at least one full day away after the day of the event",
				pick: pick{outcomes: lti, injuries: true}, form: perHours, base: perMillion, source: sourceIO, riseIsWorse: true},
			{id: "trir", title: "Total recordable injury rate (TRIR)", one: "recordable injury", many: "recordable injuries",
				formula: "(deaths + lost-workday + restricted-workday + medical treatment cases) × 1,000,000 / hours worked", counts: "injuries with death, lasting incapacity, lost time, restricted work, or treatment beyond first aid",
				pick: pick{outcomes: recordable, injuries: true}, form: perHours, base: perMillion, source: sourceIO, riseIsWorse: true},
			{id: "far", title: "Fatal accident rate (FAR)", one: "death", many: "deaths",
				formula: "deaths × 100,000,000 / hours worked", counts: "injuries that led to death",
				pick: pick{outcomes: deaths, injuries: true}, form: perHours, base: perHundredMillion, source: sourceIO, riseIsWorse: true},
		}, reporting(perMillion)...),
	},
}

// reporting returns the measures of what is told, which every convention is shown
// with: no standard fixes them.
func reporting(base float64) []rule {
	per := baseWords(base) + " hours"
	return []rule{
		{id: "near_miss_rate", title: "Near-miss reports by hours", one: "near-miss report", many: "near-miss reports",
			formula: "near-miss reports × " + whole(base) + " / hours worked", counts: "reports of the kind near miss, in the month of the event",
			pick: pick{kinds: []pb.ReportKind{pb.ReportKind_REPORT_KIND_NEAR_MISS}}, form: perHours, base: base, source: noSource + " (per " + per + ")"},
		{id: "hazard_rate", title: "Hazard reports by hours", one: "hazard report", many: "hazard reports",
			formula: "hazard reports × " + whole(base) + " / hours worked", counts: "reports of the kind hazard, in the month of the event",
			pick: pick{kinds: []pb.ReportKind{pb.ReportKind_REPORT_KIND_HAZARD}}, form: perHours, base: base, source: noSource + " (per " + per + ")"},
		{id: "reports", title: "Reports", one: "report", many: "reports",
			formula: "number of reports", counts: "reports of every kind, in the month of the event",
			pick: pick{reports: true}, form: plainCount, base: 1, source: "a count"},
		{id: "harms", title: "Persons hurt", one: "person hurt", many: "persons hurt",
			formula: "number of persons hurt", counts: "persons hurt, whatever the outcome and whoever they are to the business, in the month of the event",
			pick: pick{everybody: true}, form: plainCount, base: 1, source: "a count"},
	}
}
