package webtest

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"strings"
	"sync"
	"testing"
	"time"
	_ "time/tzdata" // the workplaces' clocks, whatever machine this is

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	"fairlead/clients/desk"
	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/demo"
	"fairlead/services/server"
	"fairlead/services/server/servertest"
	"fairlead/services/signin"
)

// today is the day on which all tests take place, at half past nine in the morning in Sydney.
// By Greenwich it is still the day before: a page that asks the wrong clock
// shows it.
var today = time.Date(2026, 9, 9, 23, 30, 0, 0, time.UTC)

// house is a running server with its pages.
type house struct {
	web    string // http://host:port
	conn   grpc.ClientConnInterface
	tokens map[string]string // by role word

	// shared says that many tests look at the house: the sessions of its roles
	// are begun once, as its sign-in page holds up whoever signs in too often.
	shared   bool
	mu       sync.Mutex
	sessions map[string]string // by role word: what the cookie holds
}

// as returns a context that calls the services as a role.
func (h *house) as(t testing.TB, role string) context.Context {
	t.Helper()
	token, ok := h.tokens[role]
	require.True(t, ok, "no such role: %s", role)
	return metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+token)
}

// newHouse starts a small house: Brindle Range with two depots, no reports. The
// supervisor is Northside's.
func newHouse(t *testing.T) *house {
	t.Helper()
	return newHouseBy(t, nil)
}

// newHouseBy is newHouse where people may also sign in by a provider.
func newHouseBy(t *testing.T, by *signin.Provider) *house {
	t.Helper()
	begun := time.Now()
	clock := func() time.Time { return today.Add(time.Since(begun)) }
	s := servertest.Start(t, servertest.Options{Clock: clock, Supervises: []string{"workplaces/northside"}, OpenID: by,
		Desk: func(conn grpc.ClientConnInterface, formToken string) (http.Handler, error) {
			return desk.Handler(conn, desk.Options{FormToken: formToken, Clock: clock})
		}})
	s.Shire()
	return &house{web: "http://" + s.Web, conn: s.Conn(), tokens: s.Tokens}
}

// demoHouse returns the demonstration world, made once for all tests. Tests
// look at it and never change it.
func demoHouse(t testing.TB) *house {
	t.Helper()
	h, err := theDemo()
	require.NoError(t, err)
	return h
}

var theDemo = sync.OnceValues(startDemo)

func startDemo() (*house, error) {
	data, err := os.MkdirTemp("", "fairlead-webtest-")
	if err != nil {
		return nil, err
	}
	atEnd = append(atEnd, func() { _ = os.RemoveAll(data) })
	h := &house{tokens: map[string]string{}, sessions: map[string]string{}, shared: true}
	d := access.NewDirectory()
	for _, word := range access.RoleWords() {
		role, _ := access.ParseRole(word)
		p := access.Principal{Name: "principals/demo-" + word, DisplayName: "Demonstration " + word, Roles: []pb.Role{role}}
		if role == pb.Role_ROLE_SUPERVISOR {
			p.Workplaces = []string{"workplaces/northside"}
		}
		h.tokens[word] = demo.Token(word)
		if err := d.AddWithToken(p, h.tokens[word]); err != nil {
			return nil, err
		}
	}
	clock := &demo.Clock{}
	clock.Set(today.AddDate(0, -demo.Months-2, 0))
	ctx, stop := context.WithCancel(context.Background())
	s, err := server.Open(ctx, server.Config{Data: data, GRPC: "localhost:0", Web: "localhost:0", Clock: clock.Now, Directory: d,
		Desk: func(conn grpc.ClientConnInterface, formToken string) (http.Handler, error) {
			return desk.Handler(conn, desk.Options{FormToken: formToken, Clock: clock.Now,
				Demo: []desk.DemoDoor{{Words: "adviser", Token: demo.Token("adviser")}, {Words: "committee", Token: demo.Token("committee")}}})
		}})
	if err != nil {
		stop()
		return nil, err
	}
	if _, err := (&demo.Seeder{Conn: s.Conn(), Clock: clock, Seed: demo.DefaultSeed, Now: today}).Run(ctx); err != nil {
		stop()
		return nil, err
	}
	clock.Set(today)
	if err := h.addOddities(ctx, s.Conn()); err != nil {
		stop()
		return nil, err
	}
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx) }()
	atEnd = append(atEnd, func() {
		stop()
		if err := <-done; err != nil {
			fmt.Fprintln(os.Stderr, "webtest: the demonstration server:", err)
		}
	})
	h.web, h.conn = "http://"+s.WebAddr(), s.Conn()
	return h, nil
}

// awkward is in the narrative of a report that tries to break the page: a word
// that never ends, markup, and writing from right to left.
const awkward = "Sluice gate 4"

// addOddities adds what the demonstration world lacks: a report with awkward
// words and three persons hurt, and one that was filed twice and voided.
func (h *house) addOddities(ctx context.Context, conn grpc.ClientConnInterface) error {
	client := pb.NewReportServiceClient(conn)
	call := metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+h.tokens["adviser"])
	r := &pb.Report{Kind: pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS, Workplace: "workplaces/quarry-road-roads",
		Narrative: awkward + ": <script>document.title = 'broken'</script><img src=x onerror=alert(1)>\n" + strings.Repeat("unbroken", 40) + "\n\u0627\u0644\u0633\u0644\u0627\u0645\u0629 \"quoted\" & 'quoted'",
		Spot:      strings.Repeat("Long", 60), DoneRightAway: "Rang the works office.", TellerMode: pb.TellerMode_TELLER_MODE_CONFIDENTIAL,
		Potential: pb.PotentialSeverity_POTENTIAL_SEVERITY_FATAL, Damage: "The gate's hoist.",
		Harms: []*pb.Harm{
			{HarmId: "h1", Description: "Cut hand, " + strings.Repeat("deep", 50), Treatment: pb.Treatment_TREATMENT_MEDICAL},
			{HarmId: "h2", Description: "Sore back", EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_LABOUR_HIRE},
			{HarmId: "h3"},
		}}
	if _, err := client.FileReport(call, &pb.FileReportRequest{Report: r, RequestId: "0190d3a0-7c1e-7b3a-9f6e-2b1c4d5e6f70"}); err != nil {
		return err
	}
	twice, err := client.FileReport(call, &pb.FileReportRequest{RequestId: "0190d3a0-7c1e-7b3a-9f6e-2b1c4d5e6f71", Report: &pb.Report{
		Kind: pb.ReportKind_REPORT_KIND_HAZARD, Workplace: "workplaces/northside", Narrative: "Loose grate at the wash bay.", TellerMode: pb.TellerMode_TELLER_MODE_NAMED}})
	if err != nil {
		return err
	}
	_, err = client.VoidReport(call, &pb.VoidReportRequest{Name: twice.GetReport().GetName(), Etag: twice.GetReport().GetEtag(),
		RequestId: "0190d3a0-7c1e-7b3a-9f6e-2b1c4d5e6f72", Reason: "Filed twice."})
	return err
}
