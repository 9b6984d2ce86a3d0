package tablet

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	pb "fairlead/proto/gen/fairlead/v1"
)

//go:generate go run ./contract src/gen/contract.ts

//go:embed dist
var dist embed.FS

// Options adjust the tablet.
type Options struct {
	// FormToken is the access token of the open report form, with which tablets
	// file that are not enrolled; empty turns them away.
	FormToken string
	// Settings are what the house tells its tablets.
	Settings Settings
	// Idle is after how long without a touch the screen goes back to the start;
	// zero is a minute.
	Idle time.Duration
	// Clock gives the time; nil is time.Now.
	Clock func() time.Time
}

// tablet is the handler's state.
type tablet struct {
	places   pb.WorkplaceServiceClient
	sealed   pb.SealedServiceClient
	opts     Options
	receipts pb.ReceiptServiceClient
	own      pb.MyReportServiceClient
	devices  pb.DeviceServiceClient
	// limiter bounds what is filed from an address, codes how many codes are tried.
	limiter, codes *limiter
	files          map[string]file
}

// file is a file of the bundle as it goes out.
type file struct {
	mediaType     string
	plain, packed []byte // packed is nil where packing gains nothing
	etag          string
	lasting       bool
}

// Handler returns the app and its door, for everything under /tablet/.
func Handler(conn grpc.ClientConnInterface, opts Options) (http.Handler, error) {
	if opts.Clock == nil {
		opts.Clock = time.Now
	}
	if opts.Idle == 0 {
		opts.Idle = time.Minute
	}
	if err := opts.Settings.Check(); err != nil {
		return nil, err
	}
	files, err := bundle()
	if err != nil {
		return nil, err
	}
	t := &tablet{
		places: pb.NewWorkplaceServiceClient(conn), sealed: pb.NewSealedServiceClient(conn),
		opts: opts, receipts: pb.NewReceiptServiceClient(conn), own: pb.NewMyReportServiceClient(conn), devices: pb.NewDeviceServiceClient(conn),
		limiter: newLimiter(opts.Clock, perMinute, time.Minute), codes: newLimiter(opts.Clock, codesPerMinute, time.Minute), files: files,
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /tablet/api/hello", t.hello)
	mux.HandleFunc("GET /tablet/api/plan/{place}", t.plan)
	mux.HandleFunc("POST /tablet/api/sealed", t.fileSealed)
	mux.HandleFunc("POST /tablet/api/receipt", t.receipt)
	mux.HandleFunc("POST /tablet/api/answer", t.reply)
	mux.HandleFunc("POST /tablet/api/enrol", t.enrol)
	mux.HandleFunc("GET /tablet/api/workers", t.workers)
	mux.HandleFunc("POST /tablet/api/turn", t.turn)
	mux.HandleFunc("POST /tablet/api/mine", t.mine)
	mux.HandleFunc("POST /tablet/api/mine/heard", t.mineHeard)
	mux.HandleFunc("POST /tablet/api/mine/answer", t.mineAnswer)
	mux.HandleFunc("GET /tablet/", t.serve)
	// What another site posts is refused before anything runs.
	return secured(http.NewCrossOriginProtection().Handler(mux)), nil
}

// secured narrows the policy of the web port for this app: nothing from
// elsewhere, no script or style in the page, no markup made from words.
func secured(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; media-src blob:; font-src 'self'; "+
			"connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'; "+
			"require-trusted-types-for 'script'; trusted-types fairlead")
		next.ServeHTTP(w, r)
	})
}

// bundle reads the committed bundle and packs what is worth packing.
func bundle() (map[string]file, error) {
	out := map[string]file{}
	err := fs.WalkDir(dist, "dist", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		plain, err := dist.ReadFile(name)
		if err != nil {
			return err
		}
		f := file{plain: plain, mediaType: mediaType(name)}
		sum := sha256.Sum256(plain)
		f.etag = `"` + hex.EncodeToString(sum[:12]) + `"`
		f.lasting = strings.HasPrefix(path.Base(name), "app-")
		if f.packed, err = packed(plain); err != nil {
			return err
		}
		out[strings.TrimPrefix(name, "dist/")] = f
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("tablet: read the bundle: %w", err)
	}
	if _, ok := out["index.html"]; !ok {
		return nil, fmt.Errorf("tablet: read the bundle: index.html is missing; build it with make tablet")
	}
	return out, nil
}

func mediaType(name string) string {
	switch path.Ext(name) {
	case ".webmanifest":
		return "application/manifest+json"
	case ".woff2":
		return "font/woff2"
	case ".js":
		return "text/javascript; charset=utf-8"
	}
	if t := mime.TypeByExtension(path.Ext(name)); t != "" {
		return t
	}
	return "text/plain; charset=utf-8"
}

func packed(plain []byte) ([]byte, error) {
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		return nil, err
	}
	if _, err := z.Write(plain); err != nil {
		return nil, err
	}
	if err := z.Close(); err != nil {
		return nil, err
	}
	if b.Len() >= len(plain)*9/10 {
		return nil, nil
	}
	return b.Bytes(), nil
}

// serve sends a file of the app; every other address under /tablet/ is the app
// itself.
func (t *tablet) serve(w http.ResponseWriter, r *http.Request) {
	name := strings.TrimPrefix(r.URL.Path, "/tablet/")
	f, ok := t.files[name]
	if !ok {
		if path.Ext(name) != "" {
			http.NotFound(w, r)
			return
		}
		f = t.files["index.html"]
	}
	h := w.Header()
	h.Set("Content-Type", f.mediaType)
	h.Set("ETag", f.etag)
	h.Set("Vary", "Accept-Encoding")
	h.Set("Cache-Control", "no-cache")
	if f.lasting {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	body := f.plain
	if f.packed != nil && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		h.Set("Content-Encoding", "gzip")
		h.Set("ETag", strings.TrimSuffix(f.etag, `"`)+`-gz"`)
		body = f.packed
	}
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(body))
}

// as calls the services with a token.
func as(ctx context.Context, token string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}

// answer sends JSON that nobody keeps.
func answer(w http.ResponseWriter, code int, body any) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	// The status is out; who has gone does not hear the rest.
	_ = json.NewEncoder(w).Encode(body)
}
