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
	device         = pb.Role_ROLE_DEVICE
	investigator   = pb.Role_ROLE_INVESTIGATOR
	officer        = pb.Role_ROLE_OFFICER
)

var (
	// everybody is everyone who has signed in.
	everybody = []pb.Role{worker, supervisor, representative, adviser, committee, auditor, administrator, integration, investigator, officer}
	// strangers may call without signing in: the method itself asks for a code.
	strangers = []pb.Role{}
)

// rules is the whole policy: for each method, the roles that may call it. Rows
// and fields are narrowed further by Narrow and Redact.
var rules = map[string][]pb.Role{
	"AccessService.GetMyself": {worker, supervisor, representative, adviser, committee, auditor, administrator, integration, officer, device, investigator},

	"PrincipalService.CreatePrincipal":  {administrator},
	"PrincipalService.GetPrincipal":     {administrator, auditor},
	"PrincipalService.ListPrincipals":   {administrator, auditor},
	"PrincipalService.UpdatePrincipal":  {administrator},
	"PrincipalService.EndPrincipal":     {administrator},
	"PrincipalService.ImportPrincipals": {administrator},
	// Everybody their own; anybody's only an administrator.
	"PrincipalService.SetPin":       everybody,
	"PrincipalService.ListSessions": everybody,
	"PrincipalService.EndSession":   everybody,
	"PrincipalService.CreateToken":  {administrator},
	"PrincipalService.ListTokens":   {administrator},
	"PrincipalService.EndToken":     {administrator},

	"SignInService.GetSignInWays":      strangers,
	"SignInService.SignInWithPassword": strangers,
	"SignInService.SetPassword":        strangers, // with the old one, or a code
	"SignInService.MakeSignInCode":     {administrator},
	"SignInService.BeginPasskey":       strangers,
	"SignInService.FinishPasskey":      strangers,
	"SignInService.BeginAddPasskey":    everybody,
	"SignInService.FinishAddPasskey":   everybody,
	"SignInService.BeginOpenID":        strangers,
	"SignInService.FinishOpenID":       strangers,
	"SignInService.BeginOpenIDLink":    everybody,
	"SignInService.FinishOpenIDLink":   everybody,
	"SignInService.LinkOpenID":         {administrator},
	"SignInService.ListCredentials":    everybody,
	"SignInService.EndCredential":      everybody,
	"SignInService.KeepSession":        everybody,
	"SignInService.SignOut":            everybody,

	"DeviceService.CreateDevice":   {administrator},
	"DeviceService.RenewEnrolment": {administrator},
	"DeviceService.EnrolDevice":    strangers,
	"DeviceService.ListDevices":    {administrator, auditor, supervisor},
	"DeviceService.EndDevice":      {administrator, supervisor},
	"DeviceService.ListWorkers":    {device},
	"DeviceService.BeginTurn":      {device},

	"WorkplaceService.CreateWorkplace": {administrator},
	"WorkplaceService.UpdateWorkplace": {administrator},
	"WorkplaceService.GetWorkplace":    {worker, supervisor, representative, adviser, committee, auditor, administrator, integration, officer, device, investigator},
	"WorkplaceService.ListWorkplaces":  {worker, supervisor, representative, adviser, committee, auditor, administrator, integration, officer, device, investigator},
	"WorkplaceService.CreatePerson":    {administrator},
	"WorkplaceService.GetPerson":       {supervisor, adviser, administrator},
	"WorkplaceService.ListPeople":      {supervisor, adviser, administrator},

	"ReportService.FileReport":        {worker, supervisor, representative, adviser, committee, administrator, integration, device, investigator, officer},
	"ReportService.GetReport":         {supervisor, representative, adviser, auditor, investigator},
	"ReportService.ListReports":       {supervisor, representative, adviser, auditor},
	"ReportService.UpdateReport":      {supervisor, adviser, investigator},
	"ReportService.VoidReport":        {adviser},
	"ReportService.AddHarm":           {supervisor, adviser, investigator},
	"ReportService.RecordOutcome":     {supervisor, adviser, investigator},
	"ReportService.RecordAbsence":     {supervisor, adviser, investigator},
	"ReportService.ListReportHistory": {supervisor, adviser, auditor, investigator},
	"ReportService.GetTeller":         {supervisor, adviser, investigator},
	"ReportService.ImportReports":     {adviser, integration},

	// The receipt code is asked for by the method itself: it names no one.
	"ReceiptService.GetProgress":  strangers,
	"ReceiptService.ListMessages": strangers,
	"ReceiptService.AddMessage":   strangers,
	"ReceiptService.Acknowledge":  strangers,

	// Whoever may tell hears of what they told under their own name; a tablet
	// only in somebody's turn.
	"MyReportService.ListMyReports":              {worker, supervisor, representative, adviser, committee, administrator, integration, device, investigator, officer},
	"MyReportService.GetMyReport":                {worker, supervisor, representative, adviser, committee, administrator, integration, device, investigator, officer},
	"MyReportService.ListMyReportMessages":       {worker, supervisor, representative, adviser, committee, administrator, integration, device, investigator, officer},
	"MyReportService.AddMyReportMessage":         {worker, supervisor, representative, adviser, committee, administrator, integration, device, investigator, officer},
	"MyReportService.AcknowledgeMyReportMessage": {worker, supervisor, representative, adviser, committee, administrator, integration, device, investigator, officer},

	"MessageService.AskTeller":          {adviser, investigator},
	"MessageService.TellProgress":       {supervisor, adviser, investigator},
	"MessageService.ListReportMessages": {supervisor, adviser, investigator},

	"ReadService.ListReads": {adviser, auditor},

	"MaskService.SuggestMasks":  {supervisor, adviser, investigator},
	"MaskService.SetMaskedText": {adviser, investigator},

	// Who is named, and nobody else, may become a keeper.
	"KeeperService.NameKeeper":       {administrator},
	"KeeperService.BecomeKeeper":     {supervisor, adviser, investigator},
	"KeeperService.ChangePassphrase": {supervisor, adviser, investigator},
	"KeeperService.EndKeeper":        {administrator},
	"KeeperService.ShareClosedNames": {supervisor, adviser, investigator},
	"KeeperService.EraseClosedNames": {supervisor, adviser, investigator},
	// Who is not told of all keepers is told of them when named: see services/keepers.
	"KeeperService.ListKeepers": {supervisor, adviser, investigator, auditor, administrator},

	// What is inside passes this table again, as the method it is meant for.
	"SealedService.GetSealingKey": {worker, supervisor, representative, adviser, committee, administrator, integration, device, investigator, officer},
	"SealedService.FileSealed":    {worker, supervisor, representative, adviser, committee, administrator, integration, device, investigator, officer},

	// Who may add to which report is narrowed further: see services/attachments.
	"AttachmentService.AddAttachment":    {worker, supervisor, representative, adviser, committee, administrator, integration, officer, investigator, device},
	"AttachmentService.ReadAttachment":   {supervisor, representative, adviser, investigator},
	"AttachmentService.GetAttachment":    {supervisor, representative, adviser, auditor, investigator},
	"AttachmentService.ListAttachments":  {supervisor, representative, adviser, auditor, investigator},
	"AttachmentService.RemoveAttachment": {supervisor, adviser, investigator},

	"ClassificationService.ListEditions": {supervisor, representative, adviser, committee, auditor, administrator, integration, officer, investigator},
	"ClassificationService.ListCodes":    {supervisor, representative, adviser, committee, auditor, administrator, integration, officer, investigator},
	"ClassificationService.LookUpCodes":  {supervisor, representative, adviser, committee, auditor, administrator, integration, officer, investigator},
	"ClassificationService.AssignCoding": {adviser, investigator},
	"ClassificationService.ListCodings":  {adviser, auditor, investigator},

	"HoursService.ImportHours": {adviser, administrator, integration},
	"HoursService.ListHours":   {supervisor, representative, adviser, committee, auditor, administrator, integration, officer},

	"MeasureService.ListMeasures": {supervisor, representative, adviser, committee, auditor, administrator, integration, officer},
	"MeasureService.ComputeRates": {supervisor, representative, adviser, committee, auditor, integration, officer},
	"MeasureService.ComputeChart": {supervisor, representative, adviser, committee, auditor, integration, officer},
	"MeasureService.Tabulate":     {supervisor, representative, adviser, committee, auditor, integration, officer},
	"MeasureService.RankCauses":   {supervisor, representative, adviser, committee, auditor, integration, officer},
	"MeasureService.CrossCauses":  {supervisor, representative, adviser, committee, auditor, integration, officer},
	"MeasureService.FindClusters": {supervisor, representative, adviser, committee, auditor, integration, officer},

	// It knows no report: whoever reads figures may work figures out.
	"ComputeService.ListMethods": {supervisor, representative, adviser, committee, auditor, administrator, integration, officer},
	"ComputeService.Compute":     {supervisor, representative, adviser, committee, auditor, administrator, integration, officer},

	"SearchService.SearchReports": {supervisor, representative, adviser, auditor},

	"ExportService.GetSummary":    {adviser, committee, auditor, officer},
	"ExportService.ExportSummary": {adviser, committee, auditor, officer},
	// Which reports are behind a difference is told only to those who may list them.
	"ExportService.CompareSummaries": {adviser, committee, auditor, officer},

	// Keeping and forgetting. A class is in force when an adviser and an
	// administrator have agreed to it; names of reports go to advisers only.
	"RetentionService.ListRetentionClasses": {adviser, auditor, administrator},
	"RetentionService.SetRetentionClass":    {adviser, administrator},
	"RetentionService.AgreeRetentionClass":  {adviser, administrator},
	"RetentionService.StopRetentionClass":   {adviser, administrator},
	"RetentionService.ListLegalHolds":       {adviser, auditor, administrator},
	"RetentionService.PlaceLegalHold":       {adviser, administrator},
	"RetentionService.ReleaseLegalHold":     {adviser, administrator},
	"RetentionService.PreviewRetention":     {adviser, auditor, administrator},
	"RetentionService.ApplyRetention":       {adviser},
	"RetentionService.ErasePerson":          {adviser},
	"RetentionService.EraseTeller":          {adviser},
	"RetentionService.EraseReportText":      {adviser},

	"ChangeService.ListChanges":   {adviser, auditor, administrator},
	"ChangeService.WatchChanges":  {adviser, auditor, administrator, integration},
	"ChangeService.GetHead":       {supervisor, representative, adviser, committee, auditor, administrator, integration, officer},
	"ChangeService.GetCheckpoint": {adviser, committee, auditor, administrator, officer},
}

// Policy decides which principal may call which method.
type Policy struct{ allowed map[string][]pb.Role }

// NewPolicy compiles the policy.
func NewPolicy() *Policy { return &Policy{allowed: rules} }

// Allow returns nil when p may call method ("ReportService.FileReport"), else
// PERMISSION_DENIED, or UNAUTHENTICATED for a caller nobody knows.
func (p *Policy) Allow(who Principal, method string) error {
	if p.Open(method) {
		return nil
	}
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

// Open reports whether method may be called without signing in.
func (p *Policy) Open(method string) bool {
	roles, known := p.allowed[method]
	return known && len(roles) == 0
}

// Admit is Allow that also returns the caller as method may know them: with the
// grants alone that let them call it.
func (p *Policy) Admit(who Principal, method string) (Principal, error) {
	if err := p.Allow(who, method); err != nil || p.Open(method) {
		return who, err
	}
	return who.As(p.allowed[method]), nil
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
