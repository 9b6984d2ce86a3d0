package desk

import (
	"embed"
	"fmt"
	"io/fs"
	"net/http"
	"strings"
	"time"

	"google.golang.org/grpc"

	pb "fairlead/proto/gen/fairlead/v1"
)

//go:embed assets
var assets embed.FS

// Options adjust the pages.
type Options struct {
	// FormToken is the access token with which the open report form files;
	// empty closes the form to everyone who has not signed in.
	FormToken string
	// Demo are access tokens that the sign-in page offers, by role; nil
	// outside a demonstration.
	Demo []DemoDoor
	// Clock gives the time; nil is time.Now.
	Clock func() time.Time
}

// DemoDoor is one way in that the demonstration's sign-in page offers.
type DemoDoor struct{ Words, Token string }

// desk is the handler's state.
type desk struct {
	reports   pb.ReportServiceClient
	places    pb.WorkplaceServiceClient
	codes     pb.ClassificationServiceClient
	hours     pb.HoursServiceClient
	numbers   pb.MeasureServiceClient
	search    pb.SearchServiceClient
	export    pb.ExportServiceClient
	changes   pb.ChangeServiceClient
	access    pb.AccessServiceClient
	retention pb.RetentionServiceClient
	files     pb.AttachmentServiceClient
	receipts  pb.ReceiptServiceClient
	messages  pb.MessageServiceClient
	own       pb.MyReportServiceClient
	reads     pb.ReadServiceClient
	masks     pb.MaskServiceClient
	keepers   pb.KeeperServiceClient

	principals pb.PrincipalServiceClient
	devices    pb.DeviceServiceClient
	signins    pb.SignInServiceClient

	opts     Options
	pages    *pages
	sessions *sessions
	// doors, mailbox and hearing bound tries at the sign-in page, reports from
	// people who have not signed in and tries at receipt codes, so that the one
	// never closes the other.
	doors, mailbox, hearing *limiter
	mux                     *http.ServeMux
}

// Handler returns the pages over a connection to the services.
func Handler(conn grpc.ClientConnInterface, opts Options) (http.Handler, error) {
	if opts.Clock == nil {
		opts.Clock = time.Now
	}
	p, err := parsePages()
	if err != nil {
		return nil, err
	}
	d := &desk{
		reports: pb.NewReportServiceClient(conn), places: pb.NewWorkplaceServiceClient(conn),
		codes: pb.NewClassificationServiceClient(conn), hours: pb.NewHoursServiceClient(conn),
		numbers: pb.NewMeasureServiceClient(conn), search: pb.NewSearchServiceClient(conn),
		export: pb.NewExportServiceClient(conn), changes: pb.NewChangeServiceClient(conn),
		access: pb.NewAccessServiceClient(conn), retention: pb.NewRetentionServiceClient(conn), files: pb.NewAttachmentServiceClient(conn),
		receipts: pb.NewReceiptServiceClient(conn), messages: pb.NewMessageServiceClient(conn), reads: pb.NewReadServiceClient(conn),
		own:   pb.NewMyReportServiceClient(conn),
		masks: pb.NewMaskServiceClient(conn), keepers: pb.NewKeeperServiceClient(conn),
		principals: pb.NewPrincipalServiceClient(conn), devices: pb.NewDeviceServiceClient(conn), signins: pb.NewSignInServiceClient(conn),
		opts: opts, pages: p, sessions: newSessions(opts.Clock),
		doors: newLimiter(opts.Clock, 30, time.Minute), mailbox: newLimiter(opts.Clock, 30, time.Minute), hearing: newLimiter(opts.Clock, 30, time.Minute),
		mux: http.NewServeMux(),
	}
	if err := d.routes(); err != nil {
		return nil, err
	}
	// A form that another site posts is refused before anything runs.
	return http.NewCrossOriginProtection().Handler(bounded(called(d.mux))), nil
}

// maxForm bounds a posted form; an hours file is the largest thing posted.
const maxForm = 4 << 20

func bounded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		most := int64(maxForm)
		if withFiles(r) {
			most = maxFiles
		}
		r.Body = http.MaxBytesReader(w, r.Body, most)
		next.ServeHTTP(w, r)
	})
}

func (d *desk) routes() error {
	static, err := fs.Sub(assets, "assets")
	if err != nil {
		return fmt.Errorf("desk: assets: %w", err)
	}
	files := http.StripPrefix("/assets/", http.FileServerFS(static))
	d.mux.Handle("GET /assets/", http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.HasSuffix(r.URL.Path, "/") {
			http.NotFound(w, r) // no list of files
			return
		}
		w.Header().Set("Cache-Control", "public, max-age=3600")
		files.ServeHTTP(w, r)
	}))
	d.mux.HandleFunc("GET /sign-in", d.signInForm)
	d.mux.HandleFunc("POST /sign-in", d.signIn)
	d.mux.HandleFunc("POST /sign-out", d.signOut)
	d.mux.HandleFunc("GET /sign-in/new", d.newPasswordForm)
	d.mux.HandleFunc("POST /sign-in/new", d.newPassword)
	d.mux.HandleFunc("POST /sign-in/passkey", d.passkeyChallenge)
	d.mux.HandleFunc("POST /sign-in/openid", d.signInAtProvider)
	d.mux.HandleFunc("GET /sign-in/openid", d.fromProvider)

	d.mux.HandleFunc("GET /report", d.fileForm)
	d.mux.HandleFunc("POST /report", d.file)
	d.mux.HandleFunc("GET /receipt", d.receiptForm)
	d.mux.HandleFunc("POST /receipt", d.receipt)

	d.mux.HandleFunc("GET /{$}", d.signedIn(d.home))
	d.mux.HandleFunc("GET /keepers", d.signedIn(d.keepersPage))
	d.mux.HandleFunc("/", d.signedIn(d.lost))
	for pattern, p := range map[string]struct {
		method string // what it takes to open the page
		page   func(*visit)
	}{
		"GET /reports":             {"ReportService.ListReports", d.listReports},
		"POST /reports":            {"ReportService.ListReports", d.findReports},
		"GET /reports/{id}":        {"ReportService.GetReport", d.showReport},
		"POST /reports/{id}/amend": {"ReportService.UpdateReport", d.amend},

		"POST /reports/{id}/attachments":                       {"AttachmentService.AddAttachment", d.attach},
		"GET /reports/{id}/attachments/{attachment}/{variant}": {"AttachmentService.ReadAttachment", d.attachment},
		"POST /reports/{id}/attachments/{attachment}/remove":   {"AttachmentService.RemoveAttachment", d.detach},

		"GET /reports/{id}/reads":     {"ReadService.ListReads", d.toldOfReads},
		"POST /reports/{id}/ask":      {"MessageService.AskTeller", d.ask},
		"POST /reports/{id}/tell":     {"MessageService.TellProgress", d.tell},
		"POST /reports/{id}/teller":   {"ReportService.GetTeller", d.openTeller},
		"POST /reports/{id}/masked":   {"MaskService.SetMaskedText", d.cover},
		"POST /reports/{id}/void":     {"ReportService.VoidReport", d.void},
		"POST /reports/{id}/harm":     {"ReportService.AddHarm", d.addHarm},
		"POST /reports/{id}/outcome":  {"ReportService.RecordOutcome", d.recordOutcome},
		"POST /reports/{id}/absence":  {"ReportService.RecordAbsence", d.recordAbsence},
		"GET /reports/{id}/code":      {"ClassificationService.AssignCoding", d.codeForm},
		"POST /reports/{id}/code":     {"ClassificationService.AssignCoding", d.code},
		"GET /numbers":                {"MeasureService.ComputeRates", d.rates},
		"GET /numbers/chart":          {"MeasureService.ComputeChart", d.chart},
		"GET /numbers/table":          {"MeasureService.Tabulate", d.table},
		"GET /numbers/causes":         {"MeasureService.RankCauses", d.causes},
		"GET /numbers/changed":        {"ExportService.CompareSummaries", d.changed},
		"GET /numbers/summary":        {"ExportService.ExportSummary", d.summaryForm},
		"POST /numbers/summary":       {"ExportService.ExportSummary", d.summary},
		"GET /codes":                  {"ClassificationService.LookUpCodes", d.lookUp},
		"POST /codes":                 {"ClassificationService.LookUpCodes", d.lookUpWords},
		"POST /codes/found":           {"ClassificationService.LookUpCodes", d.lookUpPart},
		"GET /keep":                   {"RetentionService.ListRetentionClasses", d.keeping},
		"POST /keep/agree":            {"RetentionService.AgreeRetentionClass", d.keep("agree", "agreed", d.agreeClass)},
		"POST /keep/stop":             {"RetentionService.StopRetentionClass", d.keep("stop", "stopped", d.stopClass)},
		"POST /keep/class":            {"RetentionService.SetRetentionClass", d.keep("class", "class", d.setClass)},
		"POST /keep/hold":             {"RetentionService.PlaceLegalHold", d.keep("hold", "held", d.placeHold)},
		"POST /keep/release":          {"RetentionService.ReleaseLegalHold", d.keep("release", "released", d.releaseHold)},
		"POST /keep/apply":            {"RetentionService.ApplyRetention", d.keep("apply", "applied", d.applyDue)},
		"POST /keep/person":           {"RetentionService.ErasePerson", d.erase("person", d.erasePerson)},
		"POST /keep/teller":           {"RetentionService.EraseTeller", d.erase("teller", d.eraseTeller)},
		"GET /mine":                   {"MyReportService.ListMyReports", d.mine},
		"GET /mine/{id}":              {"MyReportService.GetMyReport", d.mineOne},
		"POST /mine/{id}":             {"MyReportService.GetMyReport", d.mineSay},
		"GET /me":                     {"SignInService.ListCredentials", d.me},
		"POST /me/password":           {"SignInService.ListCredentials", d.changePassword},
		"POST /me/passkey":            {"SignInService.FinishAddPasskey", d.addPasskey},
		"POST /me/passkey/new":        {"SignInService.BeginAddPasskey", d.newPasskey},
		"POST /me/way/end":            {"SignInService.EndCredential", d.endWay},
		"POST /me/pin":                {"PrincipalService.SetPin", d.setPin},
		"POST /me/session/end":        {"PrincipalService.EndSession", d.endSession},
		"POST /me/openid":             {"SignInService.BeginOpenIDLink", d.linkAccount},
		"POST /me/openid/finish":      {"SignInService.FinishOpenIDLink", d.finishLink},
		"GET /workplaces":             {"HoursService.ListHours", d.workplaces},
		"POST /workplaces":            {"WorkplaceService.CreateWorkplace", d.addWorkplace},
		"POST /workplaces/{id}":       {"WorkplaceService.UpdateWorkplace", d.changeWorkplace},
		"POST /workplaces/{id}/close": {"WorkplaceService.UpdateWorkplace", d.closeWorkplace},
		"GET /people":                 {"PrincipalService.ListPrincipals", d.people},
		"POST /people":                {"PrincipalService.CreatePrincipal", d.join},
		"POST /people/file":           {"PrincipalService.ImportPrincipals", d.importPeople},
		"POST /people/find":           {"PrincipalService.ListPrincipals", d.findPeople},
		"GET /people/{id}":            {"PrincipalService.GetPrincipal", d.somebody},
		"POST /people/{id}/name":      {"PrincipalService.UpdatePrincipal", d.rename},
		"POST /people/{id}/role":      {"PrincipalService.UpdatePrincipal", d.regrant(false)},
		"POST /people/{id}/role/end":  {"PrincipalService.UpdatePrincipal", d.regrant(true)},
		"POST /people/{id}/token/end": {"PrincipalService.EndToken", d.endToken},
		"POST /people/{id}/suspend":   {"PrincipalService.UpdatePrincipal", d.stand(pb.PrincipalState_PRINCIPAL_STATE_SUSPENDED, "suspended")},
		"POST /people/{id}/back":      {"PrincipalService.UpdatePrincipal", d.stand(pb.PrincipalState_PRINCIPAL_STATE_ACTIVE, "back")},
		"POST /people/{id}/leave":     {"PrincipalService.EndPrincipal", d.leave},
		"POST /people/{id}/code":      {"SignInService.MakeSignInCode", d.signInCode},
		"POST /keepers":               {"KeeperService.NameKeeper", d.nameKeeper},
		"POST /keepers/become":        {"KeeperService.BecomeKeeper", d.becomeKeeper},
		"POST /keepers/share":         {"KeeperService.ShareClosedNames", d.shareNames},
		"POST /keepers/forget":        {"KeeperService.EraseClosedNames", d.forgetPerson},
		"POST /keepers/{id}/end":      {"KeeperService.EndKeeper", d.endKeeper},
		"GET /keepers/passphrase":     {"KeeperService.ChangePassphrase", d.passphrasePage},
		"POST /keepers/passphrase":    {"KeeperService.ChangePassphrase", d.changePassphrase},
		"GET /tablets":                {"DeviceService.ListDevices", d.tablets},
		"POST /tablets":               {"DeviceService.CreateDevice", d.addTablet},
		"POST /tablets/{id}/renew":    {"DeviceService.RenewEnrolment", d.renewTablet},
		"POST /tablets/{id}/end":      {"DeviceService.EndDevice", d.endTablet},
		"GET /setup":                  {"HoursService.ListHours", d.setup},
		"POST /setup/hours":           {"HoursService.ImportHours", d.importHours},
	} {
		d.mux.HandleFunc(pattern, d.signedIn(d.needs(p.method, p.page)))
	}
	return nil
}
