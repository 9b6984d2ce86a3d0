package access

import (
	"fmt"
	"slices"
	"sort"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
)

// Short names of the roles, for the table below.
const (
	worker         = pb.Role_ROLE_WORKER
	supervisor     = pb.Role_ROLE_SUPERVISOR
	representative = pb.Role_ROLE_REPRESENTATIVE
	adviser        = pb.Role_ROLE_ADVISER
	committee      = pb.Role_ROLE_COMMITTEE
	auditor        = pb.Role_ROLE_AUDITOR
	administrator  = pb.Role_ROLE_ADMINISTRATOR
	integration    = pb.Role_ROLE_INTEGRATION
)

// rules is the whole policy: for each method, the roles that may call it. Rows
// and fields are narrowed further by Narrow and Redact.
var rules = map[string][]pb.Role{
	"AccessService.GetMyself": {worker, supervisor, representative, adviser, committee, auditor, administrator, integration},

	"WorkplaceService.CreateWorkplace": {administrator},
	"WorkplaceService.UpdateWorkplace": {administrator},
	"WorkplaceService.GetWorkplace":    {worker, supervisor, representative, adviser, committee, auditor, administrator, integration},
	"WorkplaceService.ListWorkplaces":  {worker, supervisor, representative, adviser, committee, auditor, administrator, integration},
	"WorkplaceService.CreatePerson":    {administrator},
	"WorkplaceService.GetPerson":       {supervisor, adviser, administrator},
	"WorkplaceService.ListPeople":      {supervisor, adviser, administrator},

	"ReportService.FileReport":        {worker, supervisor, representative, adviser, committee, administrator, integration},
	"ReportService.GetReport":         {supervisor, representative, adviser, auditor},
	"ReportService.ListReports":       {supervisor, representative, adviser, auditor},
	"ReportService.UpdateReport":      {supervisor, adviser},
	"ReportService.VoidReport":        {adviser},
	"ReportService.AddHarm":           {supervisor, adviser},
	"ReportService.RecordOutcome":     {supervisor, adviser},
	"ReportService.RecordAbsence":     {supervisor, adviser},
	"ReportService.ListReportHistory": {supervisor, adviser, auditor},
	"ReportService.GetTeller":         {supervisor, adviser},
	"ReportService.ImportReports":     {adviser, integration},

	// What is inside passes this table again, as the method it is meant for.
	"SealedService.GetSealingKey": {worker, supervisor, representative, adviser, committee, administrator, integration},
	"SealedService.FileSealed":    {worker, supervisor, representative, adviser, committee, administrator, integration},

	// Who may add to which report is narrowed further: see services/attachments.
	"AttachmentService.AddAttachment":    {worker, supervisor, representative, adviser, committee, administrator, integration},
	"AttachmentService.ReadAttachment":   {supervisor, representative, adviser},
	"AttachmentService.GetAttachment":    {supervisor, representative, adviser, auditor},
	"AttachmentService.ListAttachments":  {supervisor, representative, adviser, auditor},
	"AttachmentService.RemoveAttachment": {supervisor, adviser},

	"ClassificationService.ListEditions": {supervisor, representative, adviser, committee, auditor, administrator, integration},
	"ClassificationService.ListCodes":    {supervisor, representative, adviser, committee, auditor, administrator, integration},
	"ClassificationService.LookUpCodes":  {supervisor, representative, adviser, committee, auditor, administrator, integration},
	"ClassificationService.AssignCoding": {adviser},
	"ClassificationService.ListCodings":  {adviser, auditor},

	"HoursService.ImportHours": {adviser, administrator, integration},
	"HoursService.ListHours":   {supervisor, representative, adviser, committee, auditor, administrator, integration},

	"MeasureService.ListMeasures": {supervisor, representative, adviser, committee, auditor, administrator, integration},
	"MeasureService.ComputeRates": {supervisor, representative, adviser, committee, auditor, integration},
	"MeasureService.ComputeChart": {supervisor, representative, adviser, committee, auditor, integration},
	"MeasureService.Tabulate":     {supervisor, representative, adviser, committee, auditor, integration},
	"MeasureService.RankCauses":   {supervisor, representative, adviser, committee, auditor, integration},
	"MeasureService.CrossCauses":  {supervisor, representative, adviser, committee, auditor, integration},
	"MeasureService.FindClusters": {supervisor, representative, adviser, committee, auditor, integration},

	// It knows no report: whoever reads figures may work figures out.
	"ComputeService.ListMethods": {supervisor, representative, adviser, committee, auditor, administrator, integration},
	"ComputeService.Compute":     {supervisor, representative, adviser, committee, auditor, administrator, integration},

	"SearchService.SearchReports": {supervisor, representative, adviser, auditor},

	"ExportService.GetSummary":    {adviser, committee, auditor},
	"ExportService.ExportSummary": {adviser, committee, auditor},
	// Which reports are behind a difference is told only to those who may list them.
	"ExportService.CompareSummaries": {adviser, committee, auditor},

	"ChangeService.ListChanges":   {adviser, auditor, administrator},
	"ChangeService.WatchChanges":  {adviser, auditor, administrator, integration},
	"ChangeService.GetHead":       {supervisor, representative, adviser, committee, auditor, administrator, integration},
	"ChangeService.GetCheckpoint": {adviser, committee, auditor, administrator},
}

// Policy decides which principal may call which method.
type Policy struct{ allowed map[string][]pb.Role }

// NewPolicy compiles the policy.
func NewPolicy() *Policy { return &Policy{allowed: rules} }

// Allow returns nil when p may call method ("ReportService.FileReport"), else
// PERMISSION_DENIED, or UNAUTHENTICATED for a caller nobody knows.
func (p *Policy) Allow(who Principal, method string) error {
	if who.Name == "" {
		return fault.Unauthenticated("sign in first: send the header `authorization: Bearer` with your access token")
	}
	for _, r := range p.allowed[method] {
		if who.Has(r) {
			return nil
		}
	}
	return fault.Denied(fmt.Sprintf("%s is not open to you; ask whoever looks after access", method))
}

// Knows reports whether there is a rule for method.
func (p *Policy) Knows(method string) bool { _, ok := p.allowed[method]; return ok }

// Methods returns the methods open to who, sorted.
func (p *Policy) Methods(who Principal) []string {
	var out []string
	for m, roles := range p.allowed {
		if slices.ContainsFunc(roles, who.Has) {
			out = append(out, m)
		}
	}
	sort.Strings(out)
	return out
}
