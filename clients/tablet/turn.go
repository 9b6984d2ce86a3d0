package tablet

import (
	"math"
	"net/http"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
)

// worker is somebody who agreed to be picked on a tablet.
type worker struct {
	Principal string `json:"principal"`
	Name      string `json:"name"`
}

// leave is leave to file by name for a few minutes.
type leave struct {
	Secret  string `json:"secret"`
	Minutes int    `json:"minutes"`
}

// workers lists who may be picked on the tablet that asks.
func (t *tablet) workers(w http.ResponseWriter, r *http.Request) {
	ctx, cancel, ok := t.admit(w, r)
	if !ok {
		return
	}
	defer cancel()
	resp, err := t.devices.ListWorkers(ctx, &pb.ListWorkersRequest{})
	if err != nil {
		t.fail(w, err)
		return
	}
	out := []worker{}
	for _, one := range resp.GetWorkers() {
		out = append(out, worker{one.GetPrincipal(), one.GetDisplayName()})
	}
	answer(w, http.StatusOK, out)
}

// turn begins the turn of somebody who gave their PIN. How long it lasts is said in
// minutes, since the clock of the tablet may be wrong.
func (t *tablet) turn(w http.ResponseWriter, r *http.Request) {
	token, own := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if !own {
		answer(w, http.StatusForbidden, problem{"only an enrolled tablet begins a turn"})
		return
	}
	var asked struct {
		Principal string `json:"principal"`
		Pin       string `json:"pin"`
	}
	ctx, cancel, ok := t.stranger(w, r, &asked)
	if !ok {
		return
	}
	defer cancel()
	resp, err := t.devices.BeginTurn(as(ctx, token), &pb.BeginTurnRequest{Principal: asked.Principal, Pin: asked.Pin})
	if err != nil {
		t.fail(w, err)
		return
	}
	minutes := resp.GetExpireTime().AsTime().Sub(t.opts.Clock()).Minutes()
	answer(w, http.StatusOK, leave{resp.GetSecret(), max(0, int(math.Floor(minutes)))})
}
