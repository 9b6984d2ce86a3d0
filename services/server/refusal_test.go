package server_test

import (
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/server/servertest"
)

// header returns a context with authorization headers as they are given.
func header(ctx context.Context, values ...string) context.Context {
	for _, v := range values {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", v)
	}
	return ctx
}

// TestStrangers wants every method closed to whoever shows no token that is
// known, whatever they ask: also nonsense, so that a stranger learns nothing
// by trying.
func TestStrangers(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	for _, m := range contract(t) {
		base := good[m.short](w)
		for what, ctx := range map[string]context.Context{
			"no token":       t.Context(),
			"a wrong token":  header(t.Context(), "Bearer fl_wrong"),
			"an empty token": header(t.Context(), "Bearer "),
			"no scheme":      header(t.Context(), "test-adviser"),
			"another scheme": header(t.Context(), "Basic dGVzdC1hZHZpc2Vy"),
			"two tokens":     header(t.Context(), "Bearer test-adviser", "Bearer test-worker"),
			"a long token":   header(t.Context(), "Bearer "+strings.Repeat("x", 6000)),
		} {
			for _, req := range []proto.Message{base, base.ProtoReflect().New().Interface()} {
				before := w.Head()
				_, err := send(ctx, w.Conn(), m, wire(t, req))
				r := refused(t, err)
				require.Equal(t, codes.Unauthenticated, r.code, "%s with %s", m.short, what)
				require.NotContains(t, status.Convert(err).Message(), "fl_wrong", "a token is not said back")
				require.Equal(t, before, w.Head())
			}
		}
		// The scheme is read as HTTP reads it.
		_, err := send(header(t.Context(), "bEARER  "+w.Tokens[m.role]), w.Conn(), m, wire(t, base))
		require.NoError(t, err, "%s: %s", m.short, reasons(err))
	}
}

// TestRoles wants every method closed to every role that the policy does not
// name, in the same words whether what is asked for exists or not, or is
// nonsense.
func TestRoles(t *testing.T) {
	t.Parallel()
	w := newWorld(t, servertest.Options{})
	policy := access.NewPolicy()
	denied := 0
	for _, m := range contract(t) {
		base := good[m.short](w)
		for _, word := range access.RoleWords() {
			role, _ := access.ParseRole(word)
			if policy.Allow(access.Principal{Name: "p", Roles: []pb.Role{role}}, m.short) == nil {
				continue
			}
			var first error
			for _, req := range []proto.Message{base, elsewhere(base), base.ProtoReflect().New().Interface()} {
				before := w.Head()
				_, err := send(w.As(word), w.Conn(), m, wire(t, req))
				require.Equal(t, codes.PermissionDenied, refused(t, err).code, "%s as %s", m.short, word)
				if first == nil {
					first = err
				}
				require.True(t, proto.Equal(status.Convert(first).Proto(), status.Convert(err).Proto()),
					"%s as %s tells what exists:\n%v\n%v", m.short, word, first, err)
				require.Equal(t, before, w.Head())
				denied++
			}
		}
	}
	require.Greater(t, denied, 200)
}

// elsewhere returns a request with every name in it replaced by one of the same
// form that is not there.
func elsewhere(req proto.Message) proto.Message {
	out := proto.Clone(req)
	rename(out.ProtoReflect(), func(name string) string {
		switch {
		case strings.HasPrefix(name, "reports/") && len(name) >= 44:
			return "reports/" + nowhere + name[44:]
		case strings.HasPrefix(name, "workplaces/"):
			return "workplaces/nowhere"
		case strings.HasPrefix(name, "people/"):
			return "people/nobody"
		}
		return name
	})
	return out
}

// rename passes every text of a message through f.
func rename(m protoreflect.Message, f func(string) string) {
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.IsMap():
		case fd.IsList():
			for i := range v.List().Len() {
				if fd.Message() != nil {
					rename(v.List().Get(i).Message(), f)
				} else if fd.Kind() == protoreflect.StringKind {
					v.List().Set(i, protoreflect.ValueOfString(f(v.List().Get(i).String())))
				}
			}
		case fd.Message() != nil:
			rename(v.Message(), f)
		case fd.Kind() == protoreflect.StringKind:
			m.Set(fd, protoreflect.ValueOfString(f(v.String())))
		}
		return true
	})
}

// TestReach wants whoever is bounded to one depot to hear the same of a report,
// a person, hours or figures of another depot as of one that does not exist, in
// every method and role.
func TestReach(t *testing.T) {
	t.Parallel()
	bounded := access.NewDirectory()
	for _, word := range access.RoleWords() {
		role, _ := access.ParseRole(word)
		p := access.Principal{Name: "principals/" + word, Roles: []pb.Role{role}}
		require.NoError(t, bounded.AddWithToken(p, "test-"+word))
		p.Name, p.Workplaces = "principals/bounded-"+word, []string{"workplaces/quarry-road"}
		require.NoError(t, bounded.AddWithToken(p, "bounded-"+word))
	}
	w := newWorld(t, servertest.Options{Directory: bounded})
	policy := access.NewPolicy()
	// A report is taken from anyone about anywhere, and the tree is no secret:
	// whoever reports must find the place. What an administrator keeps is the
	// tree itself.
	open := map[string]bool{"ReportService.FileReport": true}
	seen := 0
	for _, m := range contract(t) {
		if open[m.short] || strings.HasPrefix(m.short, "WorkplaceService.") && !strings.HasSuffix(m.short, "Person") && !strings.HasSuffix(m.short, "People") ||
			m.short == "WorkplaceService.CreatePerson" {
			continue
		}
		base := good[m.short](w)
		if proto.Equal(base, elsewhere(base)) {
			continue // it names nothing
		}
		for _, word := range access.RoleWords() {
			role, _ := access.ParseRole(word)
			if policy.Allow(access.Principal{Name: "p", Roles: []pb.Role{role}}, m.short) != nil || word == "administrator" {
				continue
			}
			seen++
			ctx := header(t.Context(), "Bearer bounded-"+word)
			before := w.Head()
			out, there := send(ctx, w.Conn(), m, wire(t, base))
			_, missing := send(ctx, w.Conn(), m, wire(t, elsewhere(base)))
			if m.short == "ReportService.ImportReports" {
				_, ok := w.outcome(t, m, out, there)
				require.True(t, ok, "a record of beyond is refused")
				require.Equal(t, before, w.Head())
				continue
			}
			a, b := refused(t, there), refused(t, missing)
			if strings.HasPrefix(m.short, "ExportService.") {
				// It says that a workplace is not there, which every role may
				// see in the tree anyway.
				require.Equal(t, codes.PermissionDenied, a.code)
				continue
			}
			if a.code != b.code || sameWords(there) != sameWords(missing) {
				t.Errorf("%s as %s tells what exists: %v, but %v", m.short, word, a, b)
			}
			if a.code != codes.NotFound && a.code != codes.PermissionDenied && m.short != "HoursService.ImportHours" {
				t.Errorf("%s as %s: %v", m.short, word, a)
			}
			require.Equal(t, before, w.Head())
		}
	}
	require.Greater(t, seen, 30)
}

// sameWords is what an error says but for the names in it.
func sameWords(err error) string {
	words := strings.Fields(status.Convert(err).Message())
	for i, w := range words {
		if strings.Contains(w, "/") {
			words[i] = "…"
		}
	}
	return strings.Join(words, " ")
}
