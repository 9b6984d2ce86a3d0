package desk

import (
	"embed"
	"fmt"
	"io/fs"
	"net/http"
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
	reports pb.ReportServiceClient
	places  pb.WorkplaceServiceClient
	codes   pb.ClassificationServiceClient
	hours   pb.HoursServiceClient
	numbers pb.MeasureServiceClient
	search  pb.SearchServiceClient
	export  pb.ExportServiceClient
	changes pb.ChangeServiceClient
	access  pb.AccessServiceClient

	opts     Options
	pages    *pages
	sessions *sessions
	limit    *limiter
	mux      *http.ServeMux
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
		access: pb.NewAccessServiceClient(conn),
		opts:   opts, pages: p, sessions: newSessions(opts.Clock), limit: newLimiter(opts.Clock, 30, time.Minute),
		mux: http.NewServeMux(),
	}
	if err := d.routes(); err != nil {
		return nil, err
	}
	// A form that another site posts is refused before anything runs.
	return http.NewCrossOriginProtection().Handler(bounded(d.mux)), nil
}

// maxForm bounds a posted form; an hours file is the largest thing posted.
const maxForm = 4 << 20

func bounded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.Body = http.MaxBytesReader(w, r.Body, maxForm)
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
		w.Header().Set("Cache-Control", "public, max-age=3600")
		files.ServeHTTP(w, r)
	}))
	d.mux.HandleFunc("GET /sign-in", d.signInForm)
	d.mux.HandleFunc("POST /sign-in", d.signIn)
	d.mux.HandleFunc("POST /sign-out", d.signOut)

	d.mux.HandleFunc("GET /report", d.fileForm)
	d.mux.HandleFunc("POST /report", d.file)

	d.mux.HandleFunc("GET /{$}", d.signedIn(d.home))
	d.mux.HandleFunc("GET /reports", d.signedIn(d.listReports))
	d.mux.HandleFunc("GET /reports/{id}", d.signedIn(d.showReport))
	d.mux.HandleFunc("POST /reports/{id}/amend", d.signedIn(d.amend))
	d.mux.HandleFunc("POST /reports/{id}/void", d.signedIn(d.void))
	d.mux.HandleFunc("POST /reports/{id}/harm", d.signedIn(d.addHarm))
	d.mux.HandleFunc("POST /reports/{id}/outcome", d.signedIn(d.recordOutcome))
	d.mux.HandleFunc("POST /reports/{id}/absence", d.signedIn(d.recordAbsence))
	d.mux.HandleFunc("GET /reports/{id}/code", d.signedIn(d.codeForm))
	d.mux.HandleFunc("POST /reports/{id}/code", d.signedIn(d.code))

	d.mux.HandleFunc("GET /numbers", d.signedIn(d.rates))
	d.mux.HandleFunc("GET /numbers/chart", d.signedIn(d.chart))
	d.mux.HandleFunc("GET /numbers/table", d.signedIn(d.table))
	d.mux.HandleFunc("GET /numbers/summary", d.signedIn(d.summaryForm))
	d.mux.HandleFunc("POST /numbers/summary", d.signedIn(d.summary))

	d.mux.HandleFunc("GET /codes", d.signedIn(d.lookUp))
	d.mux.HandleFunc("GET /codes/found", d.signedIn(d.lookUpPart))
	d.mux.HandleFunc("GET /setup", d.signedIn(d.setup))
	d.mux.HandleFunc("POST /setup/hours", d.signedIn(d.importHours))
	d.mux.HandleFunc("/", d.signedIn(d.lost))
	return nil
}
