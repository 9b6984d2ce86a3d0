// Made from proto/fairlead/v1 by `go generate ./clients/tablet`; not written by hand.

export interface SealedContent {
  file?: FileReportRequest;
  attachment?: AttachmentHeader;
  countedBack?: boolean;
  turn?: string;
}

export interface FileReportRequest {
  report?: Report;
  teller?: Teller;
  requestId?: string;
  validateOnly?: boolean;
  receiptCode?: string;
}

export interface Report {
  name?: string;
  shortCode?: string;
  kind?: ReportKind;
  workplace?: string;
  narrative?: string;
  languageCode?: string;
  occurTime?: string;
  occurEndTime?: string;
  occurPrecision?: TimePrecision;
  spot?: string;
  taskBefore?: string;
  doneRightAway?: string;
  whoCouldBeHurt?: string;
  potential?: PotentialSeverity;
  tellerMode?: TellerMode;
  tellerRole?: TellerRole;
  typedByAnother?: boolean;
  harms?: Harm[];
  release?: Release;
  damage?: string;
  links?: ReportLink[];
  origin?: Origin;
  state?: ReportState;
  voidReason?: string;
  madeTime?: string;
  receiveTime?: string;
  updateTime?: string;
  etag?: string;
  answers?: Record<string, AnswerState>;
  changeReason?: string;
  removals?: Removal[];
}

export type ReportKind =
  | "REPORT_KIND_UNSPECIFIED"
  | "REPORT_KIND_HAZARD"
  | "REPORT_KIND_NEAR_MISS"
  | "REPORT_KIND_INJURY_OR_ILLNESS"
  | "REPORT_KIND_DAMAGE"
  | "REPORT_KIND_RELEASE"
  | "REPORT_KIND_NOT_SURE";

export type TimePrecision =
  | "TIME_PRECISION_UNSPECIFIED"
  | "TIME_PRECISION_EXACT"
  | "TIME_PRECISION_ABOUT"
  | "TIME_PRECISION_DAY"
  | "TIME_PRECISION_PERIOD"
  | "TIME_PRECISION_MONTH";

export type PotentialSeverity =
  | "POTENTIAL_SEVERITY_UNSPECIFIED"
  | "POTENTIAL_SEVERITY_MINOR"
  | "POTENTIAL_SEVERITY_SERIOUS"
  | "POTENTIAL_SEVERITY_LIFE_CHANGING"
  | "POTENTIAL_SEVERITY_FATAL";

export type TellerMode =
  | "TELLER_MODE_UNSPECIFIED"
  | "TELLER_MODE_NAMED"
  | "TELLER_MODE_CONFIDENTIAL"
  | "TELLER_MODE_ANONYMOUS";

export type TellerRole =
  | "TELLER_ROLE_UNSPECIFIED"
  | "TELLER_ROLE_WORKER"
  | "TELLER_ROLE_SUPERVISOR"
  | "TELLER_ROLE_REPRESENTATIVE"
  | "TELLER_ROLE_CONTRACTOR"
  | "TELLER_ROLE_PUBLIC";

export interface Harm {
  harmId?: string;
  person?: string;
  employmentGroup?: EmploymentGroup;
  ageBand?: AgeBand;
  description?: string;
  illness?: boolean;
  treatment?: Treatment;
  outcome?: OutcomeClass;
  outcomeHistory?: OutcomeChange[];
  absences?: Absence[];
  restrictions?: Absence[];
  deathDate?: string;
  answers?: Record<string, AnswerState>;
}

export type EmploymentGroup =
  | "EMPLOYMENT_GROUP_UNSPECIFIED"
  | "EMPLOYMENT_GROUP_EMPLOYEE"
  | "EMPLOYMENT_GROUP_LABOUR_HIRE"
  | "EMPLOYMENT_GROUP_CONTRACTOR"
  | "EMPLOYMENT_GROUP_VOLUNTEER"
  | "EMPLOYMENT_GROUP_PUBLIC";

export type AgeBand =
  | "AGE_BAND_UNSPECIFIED"
  | "AGE_BAND_UNDER_18"
  | "AGE_BAND_18_TO_24"
  | "AGE_BAND_25_TO_34"
  | "AGE_BAND_35_TO_44"
  | "AGE_BAND_45_TO_54"
  | "AGE_BAND_55_AND_OVER";

export type Treatment =
  | "TREATMENT_UNSPECIFIED"
  | "TREATMENT_NONE"
  | "TREATMENT_FIRST_AID"
  | "TREATMENT_MEDICAL"
  | "TREATMENT_IN_PATIENT";

export type OutcomeClass =
  | "OUTCOME_CLASS_UNSPECIFIED"
  | "OUTCOME_CLASS_NO_INJURY"
  | "OUTCOME_CLASS_FIRST_AID"
  | "OUTCOME_CLASS_MEDICAL_TREATMENT"
  | "OUTCOME_CLASS_RESTRICTED_WORK"
  | "OUTCOME_CLASS_LOST_TIME"
  | "OUTCOME_CLASS_PERMANENT_INCAPACITY"
  | "OUTCOME_CLASS_DEATH";

export interface OutcomeChange {
  outcome?: OutcomeClass;
  effectiveDate?: string;
  reason?: string;
  recordTime?: string;
  recorder?: string;
}

export interface Absence {
  firstDate?: string;
  returnDate?: string;
  rosteredDays?: number;
}

export type AnswerState =
  | "ANSWER_STATE_UNSPECIFIED"
  | "ANSWER_STATE_KNOWN"
  | "ANSWER_STATE_NOT_KNOWN"
  | "ANSWER_STATE_DOES_NOT_APPLY"
  | "ANSWER_STATE_NOT_ASKED";

export interface Release {
  substance?: string;
  quantity?: number;
  quantityUnit?: string;
  areaSquareMetres?: number;
  waterReached?: WaterReached;
  stepsTaken?: string;
  answers?: Record<string, AnswerState>;
}

export type WaterReached =
  | "WATER_REACHED_UNSPECIFIED"
  | "WATER_REACHED_NO"
  | "WATER_REACHED_DRAIN"
  | "WATER_REACHED_WATER";

export interface ReportLink {
  report?: string;
  kind?: LinkKind;
}

export type LinkKind =
  | "LINK_KIND_UNSPECIFIED"
  | "LINK_KIND_SAME_EVENT"
  | "LINK_KIND_SAME_CAUSE";

export interface Origin {
  dataset?: string;
  sourceId?: string;
  title?: string;
  attributes?: Record<string, string>;
}

export type ReportState =
  | "REPORT_STATE_UNSPECIFIED"
  | "REPORT_STATE_RECEIVED"
  | "REPORT_STATE_VOIDED";

export interface Removal {
  part?: RemovedPart;
  removeTime?: string;
  retentionClass?: string;
}

export type RemovedPart =
  | "REMOVED_PART_UNSPECIFIED"
  | "REMOVED_PART_IDENTITIES"
  | "REMOVED_PART_WORDS"
  | "REMOVED_PART_SOME_WORDS";

export interface Teller {
  name?: string;
  displayName?: string;
  contact?: string;
  person?: string;
  callBackDays?: number;
  eraseDate?: string;
  closed?: string;
  keepers?: string[];
  recipients?: string[];
}

export interface AttachmentHeader {
  report?: string;
  attachmentId?: string;
  requestId?: string;
  caption?: string;
  keepLocation?: boolean;
  receiptCode?: string;
}

export interface FileSealedResponse {
  name?: string;
  shortCode?: string;
  sequenceNumber?: string;
  notes?: string[];
  mendings?: Mending[];
}

export type Mending =
  | "MENDING_UNSPECIFIED"
  | "MENDING_CLOCK"
  | "MENDING_TURN_OVER"
  | "MENDING_TIME"
  | "MENDING_RECEIPT_CODE"
  | "MENDING_PLACE";
