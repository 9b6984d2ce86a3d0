package workplace

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/fault"
	"fairlead/services/ledger"
	"fairlead/services/paging"
	"fairlead/services/record"
)

// house is the room with a real ledger, its tree following.
type house struct {
	*Service
	log  ledger.Ledger
	ctx  context.Context
	tree *Tree
	now  time.Time
}

func newHouse(t *testing.T) *house {
	t.Helper()
	l := openLedger(t)
	h := &house{log: l, now: noon}
	clock := func() time.Time { return h.now }
	h.tree = NewTree(l, clock)
	h.Service = New(l, h.tree, nil, paging.New([]byte("0123456789abcdef")), rules, clock, uuid.NewString)
	h.ctx = as(pb.Role_ROLE_ADMINISTRATOR)
	return h
}

func as(r pb.Role, workplaces ...string) context.Context {
	return access.With(context.Background(), access.Principal{Name: "principals/test", Roles: []pb.Role{r}, Workplaces: workplaces})
}

// call does what a client's call does: the rules of the contract first, then the
// room.
func call[Q proto.Message, R any](ctx context.Context, method func(context.Context, Q) (R, error), req Q) (R, error) {
	if err := rules(req).Err(); err != nil {
		var none R
		return none, err
	}
	return method(ctx, req)
}

// rules applies the contract, as the server's gate does.
func rules(m proto.Message) fault.Violations {
	var vs fault.Violations
	if err := protovalidate.Validate(m); err != nil {
		var invalid *protovalidate.ValidationError
		if !errors.As(err, &invalid) {
			panic(err)
		}
		for _, v := range invalid.Violations {
			vs.Add(protovalidate.FieldPathString(v.Proto.GetField()), v.Proto.GetMessage())
		}
	}
	return vs
}

// fields returns the fields that an error complains about.
func fields(err error) []string {
	var out []string
	for _, d := range status.Convert(err).Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range br.GetFieldViolations() {
				out = append(out, v.GetField())
			}
		}
	}
	return out
}

// build stores the example world through the service.
func (h *house) build(t *testing.T) {
	t.Helper()
	for _, w := range shire() {
		_, err := call(h.ctx, h.CreateWorkplace, &pb.CreateWorkplaceRequest{Workplace: w})
		require.NoError(t, err)
	}
	require.NoError(t, h.tree.CatchUp(h.ctx))
}

func head(t *testing.T, l ledger.Ledger) int64 {
	t.Helper()
	at, err := l.Head(context.Background())
	require.NoError(t, err)
	return at.Seq
}

func TestCreateAndGet(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.build(t)
	w, err := call(h.ctx, h.GetWorkplace, &pb.GetWorkplaceRequest{Name: "workplaces/northside"})
	require.NoError(t, err)
	require.Equal(t, "Northside depot", w.Title)
	require.Empty(t, w.TimeZone, "as stored: what comes from above is not written into it")
	require.Equal(t, "r1", w.Etag)
	require.Equal(t, noon, w.CreateTime.AsTime())

	_, err = call(h.ctx, h.GetWorkplace, &pb.GetWorkplaceRequest{Name: "workplaces/nowhere"})
	require.Equal(t, codes.NotFound, status.Code(err))
	_, err = call(h.ctx, h.GetPerson, &pb.GetPersonRequest{Name: "people/nobody"})
	require.Equal(t, codes.NotFound, status.Code(err))
}

func TestCreateWorkplaceRefuses(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.build(t)
	_, err := call(h.ctx, h.UpdateWorkplace, &pb.UpdateWorkplaceRequest{Workplace: &pb.Workplace{
		Name: "workplaces/quarry-road", Etag: "r1", CloseTime: timestamppb.New(noon.Add(-time.Hour))}})
	require.NoError(t, err)
	crew := func(change func(*pb.Workplace)) *pb.Workplace {
		w := &pb.Workplace{Name: "workplaces/mowing", Parent: "workplaces/northside", Title: "Mowing crew", Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_CREW}
		change(w)
		return w
	}
	before := head(t, h.log)
	for name, c := range map[string]struct {
		w     *pb.Workplace
		code  codes.Code
		field string
	}{
		"nothing":               {nil, codes.InvalidArgument, "workplace"},
		"no name":               {crew(func(w *pb.Workplace) { w.Name = "" }), codes.InvalidArgument, "workplace.name"},
		"capitals in the name":  {crew(func(w *pb.Workplace) { w.Name = "workplaces/Mowing" }), codes.InvalidArgument, "workplace.name"},
		"name too long":         {crew(func(w *pb.Workplace) { w.Name = "workplaces/" + strings.Repeat("x", 64) }), codes.InvalidArgument, "workplace.name"},
		"no title":              {crew(func(w *pb.Workplace) { w.Title = "" }), codes.InvalidArgument, "workplace.title"},
		"title of spaces":       {crew(func(w *pb.Workplace) { w.Title = "  " }), codes.InvalidArgument, "workplace.title"},
		"title too long":        {crew(func(w *pb.Workplace) { w.Title = strings.Repeat("x", 121) }), codes.InvalidArgument, "workplace.title"},
		"no level":              {crew(func(w *pb.Workplace) { w.Level = 0 }), codes.InvalidArgument, "workplace.level"},
		"unknown level":         {crew(func(w *pb.Workplace) { w.Level = 9 }), codes.InvalidArgument, "workplace.level"},
		"second root":           {crew(func(w *pb.Workplace) { w.Parent, w.Level, w.TimeZone = "", 1, "Australia/Sydney" }), codes.InvalidArgument, "workplace.parent"},
		"crew at the top":       {crew(func(w *pb.Workplace) { w.Parent, w.TimeZone = "", "Australia/Sydney" }), codes.InvalidArgument, "workplace.parent"},
		"second organisation":   {crew(func(w *pb.Workplace) { w.Level = 1 }), codes.InvalidArgument, "workplace.level"},
		"site below a crew":     {crew(func(w *pb.Workplace) { w.Parent, w.Level = "workplaces/northside-trees", 2 }), codes.InvalidArgument, "workplace.parent"},
		"parent is itself":      {crew(func(w *pb.Workplace) { w.Parent = w.Name }), codes.InvalidArgument, "workplace.parent"},
		"parent not there":      {crew(func(w *pb.Workplace) { w.Parent = "workplaces/nowhere" }), codes.NotFound, ""},
		"parent closed":         {crew(func(w *pb.Workplace) { w.Parent = "workplaces/quarry-road" }), codes.InvalidArgument, "workplace.parent"},
		"no such time zone":     {crew(func(w *pb.Workplace) { w.TimeZone = "Australia/Brindle" }), codes.InvalidArgument, "workplace.time_zone"},
		"the server's own zone": {crew(func(w *pb.Workplace) { w.TimeZone = "Local" }), codes.InvalidArgument, "workplace.time_zone"},
		"zone from outside":     {crew(func(w *pb.Workplace) { w.TimeZone = "../../etc/passwd" }), codes.InvalidArgument, "workplace.time_zone"},
		"jurisdiction in words": {crew(func(w *pb.Workplace) { w.Jurisdiction = "New South Wales" }), codes.InvalidArgument, "workplace.jurisdiction"},
		"closed before 1950":    {crew(func(w *pb.Workplace) { w.CloseTime = &timestamppb.Timestamp{Seconds: -1e9} }), codes.InvalidArgument, "workplace.close_time"},
		"closing is no time":    {crew(func(w *pb.Workplace) { w.CloseTime = &timestamppb.Timestamp{Nanos: -5} }), codes.InvalidArgument, "workplace.close_time"},
		"name taken":            {crew(func(w *pb.Workplace) { w.Name = "workplaces/northside" }), codes.AlreadyExists, ""},
		"root's name taken": {crew(func(w *pb.Workplace) {
			w.Name, w.Parent, w.Level, w.TimeZone = "workplaces/brindle-range", "", 1, "UTC"
		}), codes.AlreadyExists, ""},
	} {
		_, err := call(h.ctx, h.CreateWorkplace, &pb.CreateWorkplaceRequest{Workplace: c.w})
		require.Equal(t, c.code, status.Code(err), "%s: %v", name, err)
		if c.field != "" {
			require.Contains(t, fields(err), c.field, name)
		}
	}
	// Two things wrong are both said.
	_, err = call(h.ctx, h.CreateWorkplace, &pb.CreateWorkplaceRequest{Workplace: crew(func(w *pb.Workplace) { w.TimeZone, w.Jurisdiction = "Nowhere/Here", "x" })})
	require.ElementsMatch(t, []string{"workplace.time_zone", "workplace.jurisdiction"}, fields(err))
	_, err = call(h.ctx, h.CreateWorkplace, &pb.CreateWorkplaceRequest{Workplace: crew(func(*pb.Workplace) {}), RequestId: "not a uuid"})
	require.Equal(t, []string{"request_id"}, fields(err))
	require.Equal(t, before, head(t, h.log), "nothing was written")
}

func TestTheFirstRoot(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	root := shire()[0]
	root.TimeZone = ""
	_, err := call(h.ctx, h.CreateWorkplace, &pb.CreateWorkplaceRequest{Workplace: root})
	require.Equal(t, []string{"workplace.time_zone"}, fields(err))
	root.TimeZone, root.CloseTime = "Australia/Sydney", timestamppb.New(noon)
	_, err = call(h.ctx, h.CreateWorkplace, &pb.CreateWorkplaceRequest{Workplace: root})
	require.Equal(t, []string{"workplace.close_time"}, fields(err))
}

func TestReplay(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.build(t)
	const id = "0190d3a0-7c1e-4b3a-9f6e-2b1c4d5e6f70"
	req := &pb.CreateWorkplaceRequest{RequestId: id, Workplace: &pb.Workplace{Name: "workplaces/nursery", Parent: "workplaces/brindle-range",
		Title: "Lakeside nursery", Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_SITE}}
	first, err := call(h.ctx, h.CreateWorkplace, req)
	require.NoError(t, err)
	_, err = call(h.ctx, h.UpdateWorkplace, &pb.UpdateWorkplaceRequest{Workplace: &pb.Workplace{Name: first.Name, Etag: first.Etag, Title: "Nursery"}})
	require.NoError(t, err)
	before := head(t, h.log)
	h.now = noon.Add(time.Hour)
	again, err := call(h.ctx, h.CreateWorkplace, req)
	require.NoError(t, err)
	require.True(t, proto.Equal(first, again), "the answer of then, whatever happened since")
	require.Equal(t, before, head(t, h.log))
	req.Workplace.Title = "Another nursery"
	_, err = call(h.ctx, h.CreateWorkplace, req)
	require.Equal(t, codes.InvalidArgument, status.Code(err))
	require.Equal(t, []string{"request_id"}, fields(err))
}

func TestUpdateWorkplace(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.build(t)
	update := func(w *pb.Workplace, paths ...string) (*pb.Workplace, error) {
		req := &pb.UpdateWorkplaceRequest{Workplace: w}
		if len(paths) > 0 {
			req.UpdateMask = &fieldmaskpb.FieldMask{Paths: paths}
		}
		return call(h.ctx, h.UpdateWorkplace, req)
	}
	get := func(name string) *pb.Workplace {
		w, err := h.GetWorkplace(h.ctx, &pb.GetWorkplaceRequest{Name: name})
		require.NoError(t, err)
		return w
	}
	// Read, change one field, send all of it back.
	w := get("workplaces/northside")
	w.Title, w.CloseTime = "Northside works depot", timestamppb.New(noon.Add(time.Hour))
	h.now = noon.Add(time.Minute)
	got, err := update(w)
	require.NoError(t, err)
	require.Equal(t, "r2", got.Etag)
	require.Equal(t, h.now, got.UpdateTime.AsTime())
	require.Equal(t, noon, got.CreateTime.AsTime())

	// A mask can clear what no mask cannot: it opens again.
	got, err = update(&pb.Workplace{Name: got.Name, Title: got.Title, Level: got.Level, Etag: got.Etag}, "close_time")
	require.NoError(t, err)
	require.Nil(t, got.CloseTime)

	// Nothing changed, nothing written.
	before := head(t, h.log)
	same, err := update(got)
	require.NoError(t, err)
	require.Equal(t, got.Etag, same.Etag)
	require.Equal(t, before, head(t, h.log))

	// A branch moves below another site.
	got, err = update(&pb.Workplace{Name: got.Name, Title: "x", Level: got.Level, Etag: got.Etag, Parent: "workplaces/quarry-road"}, "parent")
	require.NoError(t, err)
	require.Equal(t, "Northside works depot", got.Title, "only what the mask names")

	before = head(t, h.log)
	for name, c := range map[string]struct {
		w     *pb.Workplace
		paths []string
		code  codes.Code
		field string
	}{
		"nothing":                   {nil, nil, codes.InvalidArgument, "workplace"},
		"no name":                   {&pb.Workplace{Title: "x", Etag: "r1"}, nil, codes.InvalidArgument, "workplace.name"},
		"words for a name":          {&pb.Workplace{Name: "workplaces/the depot", Title: "x", Etag: "r1"}, nil, codes.InvalidArgument, "workplace.name"},
		"no etag":                   {&pb.Workplace{Name: "workplaces/northside", Title: "x", Level: 2}, nil, codes.InvalidArgument, "workplace.etag"},
		"an etag from elsewhere":    {&pb.Workplace{Name: "workplaces/northside", Title: "x", Level: 2, Etag: "W/1"}, nil, codes.InvalidArgument, "workplace.etag"},
		"old etag":                  {&pb.Workplace{Name: "workplaces/northside", Title: "x", Level: 2, Etag: "r1"}, nil, codes.Aborted, ""},
		"not there":                 {&pb.Workplace{Name: "workplaces/nowhere", Title: "x", Level: 2, Etag: "r1"}, nil, codes.NotFound, ""},
		"unknown path":              {&pb.Workplace{Name: "workplaces/northside", Title: "x", Level: 2, Etag: got.Etag}, []string{"colour"}, codes.InvalidArgument, "update_mask"},
		"level":                     {&pb.Workplace{Name: "workplaces/northside", Title: "x", Level: 3, Etag: got.Etag}, []string{"level"}, codes.InvalidArgument, "update_mask"},
		"level without mask":        {&pb.Workplace{Name: "workplaces/northside", Title: "x", Level: 3, Etag: got.Etag}, nil, codes.InvalidArgument, "workplace.level"},
		"below itself":              {&pb.Workplace{Name: "workplaces/quarry-road", Title: "x", Level: 2, Etag: "r1", Parent: "workplaces/northside"}, []string{"parent"}, codes.InvalidArgument, "workplace.parent"},
		"parent not there":          {&pb.Workplace{Name: "workplaces/northside", Title: "x", Level: 2, Etag: got.Etag, Parent: "workplaces/nowhere"}, []string{"parent"}, codes.NotFound, ""},
		"a second root":             {&pb.Workplace{Name: "workplaces/northside", Title: "x", Level: 2, Etag: got.Etag}, []string{"parent"}, codes.InvalidArgument, "workplace.parent"},
		"root below another":        {&pb.Workplace{Name: "workplaces/brindle-range", Title: "x", Level: 1, Etag: "r1", Parent: "workplaces/northside"}, []string{"parent"}, codes.InvalidArgument, "workplace.parent"},
		"root without time zone":    {&pb.Workplace{Name: "workplaces/brindle-range", Title: "x", Level: 1, Etag: "r1"}, []string{"time_zone"}, codes.InvalidArgument, "workplace.time_zone"},
		"root closed":               {&pb.Workplace{Name: "workplaces/brindle-range", Title: "x", Level: 1, Etag: "r1", CloseTime: timestamppb.New(noon)}, []string{"close_time"}, codes.InvalidArgument, "workplace.close_time"},
		"title too long":            {&pb.Workplace{Name: "workplaces/northside", Title: strings.Repeat("x", 200), Level: 2, Etag: got.Etag}, nil, codes.InvalidArgument, "workplace.title"},
		"industry code much longer": {&pb.Workplace{Name: "workplaces/northside", Title: "x", Level: 2, Etag: got.Etag, IndustryCode: strings.Repeat("x", 33)}, nil, codes.InvalidArgument, "workplace.industry_code"},
	} {
		_, err := update(c.w, c.paths...)
		require.Equal(t, c.code, status.Code(err), "%s: %v", name, err)
		if c.field != "" {
			require.Contains(t, fields(err), c.field, name)
		}
		if c.code == codes.Aborted {
			require.Contains(t, status.Convert(err).Details()[0].(*errdetails.ErrorInfo).Metadata["etag"], got.Etag)
		}
	}
	require.Equal(t, before, head(t, h.log), "nothing was written")
}

func TestMoveWouldCountHoursTwice(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.build(t)
	hours := func(workplace, key string) {
		_, err := h.log.Write(h.ctx, ledger.Request{Actor: "principals/test"}, func(ctx context.Context, tx ledger.Tx) error {
			p, err := record.Put(&pb.Hours{}, workplace+"/hours/"+key, record.KindHours, record.VerbImport, ledger.Absent)
			if err != nil {
				return err
			}
			_, err = tx.Put(ctx, p)
			return err
		})
		require.NoError(t, err)
	}
	hours("workplaces/northside-trees", "2026-01.employee")
	hours("workplaces/quarry-road", "2026-01.employee")
	_, err := call(h.ctx, h.UpdateWorkplace, &pb.UpdateWorkplaceRequest{
		Workplace:  &pb.Workplace{Name: "workplaces/northside", Etag: "r1", Parent: "workplaces/quarry-road", Title: "x", Level: 2},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"parent"}}})
	require.Equal(t, codes.FailedPrecondition, status.Code(err))
	require.ErrorContains(t, err, "2026-01.employee")
	require.ErrorContains(t, err, "would count twice")
}

func TestListWorkplaces(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.build(t)
	var names []string
	token := ""
	for {
		page, err := call(h.ctx, h.ListWorkplaces, &pb.ListWorkplacesRequest{PageSize: 3, PageToken: token})
		require.NoError(t, err)
		for _, w := range page.Workplaces {
			names = append(names, w.Name)
		}
		if token = page.NextPageToken; token == "" {
			break
		}
	}
	require.Equal(t, []string{"workplaces/brindle-range", "workplaces/northside", "workplaces/northside-trees", "workplaces/quarry-road"}, names)
	for name, req := range map[string]*pb.ListWorkplacesRequest{
		"page_token": {PageToken: "made up"},
		"page_size":  {PageSize: -1},
	} {
		_, err := call(h.ctx, h.ListWorkplaces, req)
		require.Equal(t, []string{name}, fields(err))
	}
}

// TestWorkplaces_perRole: a role that holds for some places is told of those and
// of the way to them; whoever files for anywhere is told of all.
func TestWorkplaces_perRole(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.build(t)
	all := []string{"workplaces/brindle-range", "workplaces/northside", "workplaces/northside-trees", "workplaces/quarry-road"}
	north := []string{"workplaces/northside"}
	for name, c := range map[string]struct {
		ctx  context.Context
		want []string
		// reduced are told by name only.
		reduced []string
	}{
		"adviser of everything":          {as(pb.Role_ROLE_ADVISER), all, nil},
		"supervisor of everything":       {as(pb.Role_ROLE_SUPERVISOR), all, nil},
		"supervisor of a depot":          {as(pb.Role_ROLE_SUPERVISOR, north...), all[:3], all[:1]},
		"supervisor of a crew":           {as(pb.Role_ROLE_SUPERVISOR, "workplaces/northside-trees"), all[:3], all[:2]},
		"supervisor of two":              {as(pb.Role_ROLE_SUPERVISOR, "workplaces/northside-trees", "workplaces/quarry-road"), all, all[:2]},
		"supervisor of the whole":        {as(pb.Role_ROLE_SUPERVISOR, "workplaces/brindle-range"), all, nil},
		"supervisor of what is gone":     {as(pb.Role_ROLE_SUPERVISOR, "workplaces/gone"), nil, nil},
		"representative of a depot":      {as(pb.Role_ROLE_REPRESENTATIVE, north...), all[:3], all[:1]},
		"adviser of a depot":             {as(pb.Role_ROLE_ADVISER, north...), all[:3], all[:1]},
		"committee of a depot":           {as(pb.Role_ROLE_COMMITTEE, north...), all[:3], all[:1]},
		"auditor of a depot":             {as(pb.Role_ROLE_AUDITOR, north...), all[:3], all[:1]},
		"integration of a depot":         {as(pb.Role_ROLE_INTEGRATION, north...), all[:3], all[:1]},
		"worker of a depot":              {as(pb.Role_ROLE_WORKER, north...), all, nil},
		"administrator of a depot":       {as(pb.Role_ROLE_ADMINISTRATOR, north...), all, nil},
		"worker without a place":         {as(pb.Role_ROLE_WORKER), all, nil},
		"auditor without a place":        {as(pb.Role_ROLE_AUDITOR), all, nil},
		"integration without a place":    {as(pb.Role_ROLE_INTEGRATION), all, nil},
		"representative without a place": {as(pb.Role_ROLE_REPRESENTATIVE), all, nil},
	} {
		for _, size := range []int32{0, 1, 2} {
			var got []string
			token := ""
			for {
				page, err := call(c.ctx, h.ListWorkplaces, &pb.ListWorkplacesRequest{PageSize: size, PageToken: token})
				require.NoError(t, err, name)
				for _, w := range page.GetWorkplaces() {
					got = append(got, w.GetName())
					require.NotEmpty(t, w.GetTitle(), name)
					require.NotZero(t, w.GetLevel(), name)
					reduced := slices.Contains(c.reduced, w.GetName())
					require.Equal(t, reduced, w.GetEtag() == "", "%s: %s", name, w.GetName())
					if w.GetName() == all[0] {
						require.Equal(t, "Australia/Sydney", w.GetTimeZone(), "%s: days are told in it", name)
						require.Equal(t, reduced, w.GetJurisdiction() == "", name)
					}
				}
				if token = page.GetNextPageToken(); token == "" {
					break
				}
				require.NotEmpty(t, page.GetWorkplaces(), "%s: a page before the last holds something", name)
			}
			require.Equal(t, c.want, got, name)
		}
		for _, w := range all {
			_, err := call(c.ctx, h.GetWorkplace, &pb.GetWorkplaceRequest{Name: w})
			if slices.Contains(c.want, w) {
				require.NoError(t, err, name)
				continue
			}
			_, gone := call(c.ctx, h.GetWorkplace, &pb.GetWorkplaceRequest{Name: w + "-not"})
			require.Equal(t, codes.NotFound, status.Code(err), "%s: %s", name, w)
			require.Equal(t, strings.ReplaceAll(status.Convert(gone).Message(), w+"-not", w), status.Convert(err).Message(), "as if it were not there")
		}
	}
}

func TestPeople(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.build(t)
	person := func(name, at string) *pb.Person {
		return &pb.Person{Name: name, DisplayName: "Somebody Invented", Workplace: at, EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE}
	}
	for i, at := range []string{"workplaces/northside", "workplaces/northside-trees", "workplaces/quarry-road"} {
		p, err := call(h.ctx, h.CreatePerson, &pb.CreatePersonRequest{Person: person("people/p"+string(rune('1'+i)), at)})
		require.NoError(t, err)
		require.Equal(t, "r1", p.Etag)
	}
	_, err := call(h.ctx, h.UpdateWorkplace, &pb.UpdateWorkplaceRequest{Workplace: &pb.Workplace{
		Name: "workplaces/quarry-road", Etag: "r1", CloseTime: timestamppb.New(noon)}})
	require.NoError(t, err)

	for name, c := range map[string]struct {
		p     *pb.Person
		code  codes.Code
		field string
	}{
		"nothing":         {nil, codes.InvalidArgument, "person"},
		"name":            {person("people/Some One", "workplaces/northside"), codes.InvalidArgument, "person.name"},
		"no workplace":    {person("people/x", ""), codes.InvalidArgument, "person.workplace"},
		"not there":       {person("people/x", "workplaces/nowhere"), codes.NotFound, ""},
		"closed":          {person("people/x", "workplaces/quarry-road"), codes.InvalidArgument, "person.workplace"},
		"taken":           {person("people/p1", "workplaces/northside"), codes.AlreadyExists, ""},
		"no group":        {&pb.Person{Name: "people/x", DisplayName: "x", Workplace: "workplaces/northside"}, codes.InvalidArgument, "person.employment_group"},
		"name of spaces":  {&pb.Person{Name: "people/x", DisplayName: " ", Workplace: "workplaces/northside", EmploymentGroup: 1}, codes.InvalidArgument, "person.display_name"},
		"occupation long": {&pb.Person{Name: "people/x", DisplayName: "x", Workplace: "workplaces/northside", EmploymentGroup: 1, Occupation: strings.Repeat("x", 121)}, codes.InvalidArgument, "person.occupation"},
	} {
		_, err := call(h.ctx, h.CreatePerson, &pb.CreatePersonRequest{Person: c.p})
		require.Equal(t, c.code, status.Code(err), "%s: %v", name, err)
		if c.field != "" {
			require.Contains(t, fields(err), c.field, name)
		}
	}

	list := func(ctx context.Context, workplace string) []string {
		var names []string
		token := ""
		for {
			page, err := call(ctx, h.ListPeople, &pb.ListPeopleRequest{Workplace: workplace, PageSize: 1, PageToken: token})
			require.NoError(t, err)
			for _, p := range page.People {
				names = append(names, p.Name)
			}
			if token = page.NextPageToken; token == "" {
				return names
			}
		}
	}
	require.Equal(t, []string{"people/p1", "people/p2", "people/p3"}, list(h.ctx, ""))
	require.Equal(t, []string{"people/p1", "people/p2"}, list(h.ctx, "workplaces/northside"))
	north := as(pb.Role_ROLE_SUPERVISOR, "workplaces/northside")
	require.Equal(t, []string{"people/p1", "people/p2"}, list(north, ""))
	require.Equal(t, []string{"people/p2"}, list(north, "workplaces/northside-trees"))

	// A supervisor elsewhere learns nothing, not even that somebody is there.
	_, there := call(north, h.GetPerson, &pb.GetPersonRequest{Name: "people/p3"})
	_, not := call(north, h.GetPerson, &pb.GetPersonRequest{Name: "people/p9"})
	require.Equal(t, codes.NotFound, status.Code(there))
	require.Equal(t, strings.Replace(not.Error(), "p9", "p3", 1), there.Error())
	_, err = call(north, h.ListPeople, &pb.ListPeopleRequest{Workplace: "workplaces/quarry-road"})
	require.Equal(t, codes.PermissionDenied, status.Code(err))

	_, err = call(h.ctx, h.ListPeople, &pb.ListPeopleRequest{Workplace: "workplaces/nortside"})
	require.Equal(t, []string{"workplace"}, fields(err))
	require.ErrorContains(t, err, "did you mean workplaces/northside")
	page, err := call(h.ctx, h.ListPeople, &pb.ListPeopleRequest{PageSize: 1})
	require.NoError(t, err)
	_, err = call(h.ctx, h.ListPeople, &pb.ListPeopleRequest{PageSize: 1, PageToken: page.NextPageToken, Workplace: "workplaces/northside"})
	require.Equal(t, []string{"page_token"}, fields(err), "a token belongs to its question")
}
