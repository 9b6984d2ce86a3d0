package facts

import pb "fairlead/proto/gen/fairlead/v1"

// What categories are called in tables, by enum value.
var (
	kindTitles = [kindCount]string{
		pb.ReportKind_REPORT_KIND_HAZARD:            "hazard",
		pb.ReportKind_REPORT_KIND_NEAR_MISS:         "near miss",
		pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS: "injury or illness",
		pb.ReportKind_REPORT_KIND_DAMAGE:            "damage",
		pb.ReportKind_REPORT_KIND_RELEASE:           "release",
		pb.ReportKind_REPORT_KIND_NOT_SURE:          "not sure yet",
	}
	potentialTitles = [potentialCount]string{
		pb.PotentialSeverity_POTENTIAL_SEVERITY_MINOR:         "first aid at most",
		pb.PotentialSeverity_POTENTIAL_SEVERITY_SERIOUS:       "time off work, full recovery",
		pb.PotentialSeverity_POTENTIAL_SEVERITY_LIFE_CHANGING: "lasting injury or illness",
		pb.PotentialSeverity_POTENTIAL_SEVERITY_FATAL:         "death",
	}
	outcomeTitles = [outcomeCount]string{
		pb.OutcomeClass_OUTCOME_CLASS_NO_INJURY:            "no injury or illness",
		pb.OutcomeClass_OUTCOME_CLASS_FIRST_AID:            "first aid",
		pb.OutcomeClass_OUTCOME_CLASS_MEDICAL_TREATMENT:    "medical treatment",
		pb.OutcomeClass_OUTCOME_CLASS_RESTRICTED_WORK:      "restricted work",
		pb.OutcomeClass_OUTCOME_CLASS_LOST_TIME:            "lost time",
		pb.OutcomeClass_OUTCOME_CLASS_PERMANENT_INCAPACITY: "lasting incapacity",
		pb.OutcomeClass_OUTCOME_CLASS_DEATH:                "death",
	}
	groupTitles = [groupCount]string{
		pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE:    "employees",
		pb.EmploymentGroup_EMPLOYMENT_GROUP_LABOUR_HIRE: "labour hire",
		pb.EmploymentGroup_EMPLOYMENT_GROUP_CONTRACTOR:  "contractors",
		pb.EmploymentGroup_EMPLOYMENT_GROUP_VOLUNTEER:   "volunteers",
		pb.EmploymentGroup_EMPLOYMENT_GROUP_PUBLIC:      "visitors and the public",
	}
)

// unknownTitle is what the rows without a value are called.
func unknownTitle(d pb.Dimension) string {
	switch d {
	case pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_BREAKDOWN_AGENCY, pb.Dimension_DIMENSION_AGENCY,
		pb.Dimension_DIMENSION_NATURE, pb.Dimension_DIMENSION_BODILY_LOCATION:
		return "not coded"
	case pb.Dimension_DIMENSION_OUTCOME:
		return "no outcome recorded"
	case pb.Dimension_DIMENSION_EMPLOYMENT_GROUP:
		return "employment group not recorded"
	case pb.Dimension_DIMENSION_POTENTIAL:
		return "worst credible outcome not judged"
	}
	return "not known"
}

// dimensionWord is what a dimension is called in a message.
func dimensionWord(d pb.Dimension) string {
	switch d {
	case pb.Dimension_DIMENSION_KIND:
		return "kind of report"
	case pb.Dimension_DIMENSION_WORKPLACE:
		return "workplace"
	case pb.Dimension_DIMENSION_MONTH:
		return "month"
	case pb.Dimension_DIMENSION_YEAR:
		return "year"
	case pb.Dimension_DIMENSION_MECHANISM:
		return "mechanism"
	case pb.Dimension_DIMENSION_BREAKDOWN_AGENCY:
		return "breakdown agency"
	case pb.Dimension_DIMENSION_AGENCY:
		return "agency of injury"
	case pb.Dimension_DIMENSION_NATURE:
		return "nature of injury or disease"
	case pb.Dimension_DIMENSION_BODILY_LOCATION:
		return "bodily location"
	case pb.Dimension_DIMENSION_OUTCOME:
		return "outcome"
	case pb.Dimension_DIMENSION_POTENTIAL:
		return "worst credible outcome"
	case pb.Dimension_DIMENSION_DATASET:
		return "data set of origin"
	case pb.Dimension_DIMENSION_EMPLOYMENT_GROUP:
		return "employment group"
	}
	return "count"
}
