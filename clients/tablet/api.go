package tablet

import (
	"context"
	"encoding/base64"
	"io"
	"net"
	"net/http"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

const (
	// maxSealed bounds a posted envelope; the contract takes 10 MiB of it.
	maxSealed = 11 << 20
	// perMinute bounds what one address files here: a tablet that comes back
	// after two weeks sends a hundred reports with their photos at once.
	perMinute = 600
	// codesPerMinute bounds how many receipt and enrolment codes one address
	// tries.
	codesPerMinute = 30
	// patience bounds a call to the services.
	patience = 60 * time.Second
)

// greeting is what a tablet keeps of the house for the time out of reach.
type greeting struct {
	Time        time.Time `json:"time"`
	KeyID       string    `json:"keyID"`
	PublicKey   string    `json:"publicKey"`
	Places      []place   `json:"places"`
	Home        string    `json:"home"`
	Card        Card      `json:"card"`
	IdleSeconds float64   `json:"idleSeconds"`
	// Plans are hashes of the pictures that there are, by workplace.
	Plans map[string]string `json:"plans"`
}

// place is a workplace as the tablet lists it: names, and nothing of anybody.
type place struct {
	Name   string `json:"name"`
	Title  string `json:"title"`
	Parent string `json:"parent"`
	Level  string `json:"level"`
}

// problem is what the tablet is told when something did not work.
type problem struct {
	Message string `json:"message"`
}

// stored is what the tablet is told of something sealed: never its words.
type stored struct {
	ShortCode string `json:"shortCode,omitempty"`
	// Mendings say what is stored otherwise than it was told.
	Mendings []string `json:"mendings,omitempty"`
}

// hello tells a tablet all that it needs while it is out of reach.
func (t *tablet) hello(w http.ResponseWriter, r *http.Request) {
	ctx, cancel, ok := t.admit(w, r)
	if !ok {
		return
	}
	defer cancel()
	key, err := t.sealed.GetSealingKey(ctx, &pb.GetSealingKeyRequest{})
	if err != nil {
		t.fail(w, err)
		return
	}
	places, err := t.list(ctx)
	if err != nil {
		t.fail(w, err)
		return
	}
	plans := map[string]string{}
	for place, p := range t.opts.Settings.pictures {
		plans[place] = p.sum
	}
	answer(w, http.StatusOK, greeting{
		Plans: plans,
		Time:  t.opts.Clock().UTC(), KeyID: key.GetKeyId(), PublicKey: base64.StdEncoding.EncodeToString(key.GetPublicKey()),
		Places: places, Home: t.opts.Settings.Home, Card: t.opts.Settings.Card, IdleSeconds: t.opts.Idle.Seconds(),
	})
}

// plan sends the picture of a place.
func (t *tablet) plan(w http.ResponseWriter, r *http.Request) {
	_, cancel, ok := t.admit(w, r)
	if !ok {
		return
	}
	defer cancel()
	p, ok := t.opts.Settings.pictures["workplaces/"+r.PathValue("place")]
	if !ok {
		answer(w, http.StatusNotFound, problem{"there is no plan of this place"})
		return
	}
	w.Header().Set("Content-Type", p.mediaType)
	w.Header().Set("Cache-Control", "no-store")
	// Who has gone does not hear the rest.
	_, _ = w.Write(p.data)
}

// list reads the workplaces that take reports, by name.
func (t *tablet) list(ctx context.Context) ([]place, error) {
	out := []place{}
	token := ""
	for {
		resp, err := t.places.ListWorkplaces(ctx, &pb.ListWorkplacesRequest{PageSize: 1000, PageToken: token})
		if err != nil {
			return nil, err
		}
		for _, p := range resp.GetWorkplaces() {
			if p.GetCloseTime() != nil && !p.GetCloseTime().AsTime().After(t.opts.Clock()) {
				continue
			}
			level := strings.ToLower(strings.TrimPrefix(p.GetLevel().String(), "WORKPLACE_LEVEL_"))
			out = append(out, place{p.GetName(), p.GetTitle(), p.GetParent(), level})
		}
		if token = resp.GetNextPageToken(); token == "" {
			break
		}
	}
	slices.SortFunc(out, func(a, b place) int { return strings.Compare(a.Title, b.Title) })
	return out, nil
}

// fileSealed hands on what a tablet sealed.
func (t *tablet) fileSealed(w http.ResponseWriter, r *http.Request) {
	ctx, cancel, ok := t.admit(w, r)
	if !ok {
		return
	}
	defer cancel()
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxSealed))
	if err != nil {
		answer(w, http.StatusRequestEntityTooLarge, problem{"it could not be read whole, or is too long; nothing was stored"})
		return
	}
	req := &pb.FileSealedRequest{}
	if err := proto.Unmarshal(body, req); err != nil {
		answer(w, http.StatusBadRequest, problem{"it is no sealed report; nothing was stored"})
		return
	}
	resp, err := t.sealed.FileSealed(ctx, req)
	if err != nil {
		t.fail(w, err)
		return
	}
	out := stored{ShortCode: resp.GetShortCode()}
	for _, m := range resp.GetMendings() {
		out.Mendings = append(out.Mendings, strings.ToLower(strings.TrimPrefix(m.String(), "MENDING_")))
	}
	answer(w, http.StatusOK, out)
}

// admit lets a tablet in: by its own token when it is enrolled, else as the open
// report form, while that is open.
func (t *tablet) admit(w http.ResponseWriter, r *http.Request) (context.Context, context.CancelFunc, bool) {
	token := t.opts.FormToken
	if own, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer "); ok {
		token = own
	}
	if token == "" {
		answer(w, http.StatusUnauthorized, problem{"the report form is closed here; enrol this tablet"})
		return nil, nil, false
	}
	host := address(r)
	if !t.limiter.allow(host) {
		w.Header().Set("Retry-After", "60")
		answer(w, http.StatusTooManyRequests, problem{"too much from here in one minute; nothing was stored; it is taken later"})
		return nil, nil, false
	}
	ctx, cancel := context.WithTimeout(as(from(r.Context(), host), token), patience)
	return ctx, cancel, true
}

// address is the network address that asks.
func address(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

// from tells the services for whom a call is made, so that their limits hold
// for that address and not for this house.
func from(ctx context.Context, host string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "fairlead-caller", host)
}

// statuses are what a tablet understands; anything else is tried again later.
var statuses = map[codes.Code]int{
	codes.InvalidArgument: http.StatusBadRequest, codes.NotFound: http.StatusNotFound, codes.AlreadyExists: http.StatusConflict,
	codes.FailedPrecondition: http.StatusUnprocessableEntity, codes.PermissionDenied: http.StatusForbidden,
	codes.Unauthenticated: http.StatusUnauthorized, codes.ResourceExhausted: http.StatusInsufficientStorage,
}

func (t *tablet) fail(w http.ResponseWriter, err error) {
	code, known := statuses[status.Code(err)]
	if !known {
		code = http.StatusServiceUnavailable
	}
	answer(w, code, problem{status.Convert(err).Message()})
}
