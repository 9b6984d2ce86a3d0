package access

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

func TestDirectory(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "access.yaml")
	d, err := OpenDirectory(path)
	require.NoError(t, err)
	require.True(t, d.Empty())

	token, err := d.Add(Principal{Name: "principals/ada", DisplayName: "Ada Example",
		Roles: []pb.Role{pb.Role_ROLE_ADVISER}, Workplaces: []string{"workplaces/northside"}})
	require.NoError(t, err)
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NotContains(t, string(raw), token, "a token is never on disk")
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())

	again, err := OpenDirectory(path)
	require.NoError(t, err)
	who, err := again.ByToken(token)
	require.NoError(t, err)
	require.Equal(t, "principals/ada", who.Name)
	require.True(t, who.Has(pb.Role_ROLE_ADVISER))
	require.Equal(t, []string{"workplaces/northside"}, who.Workplaces)
	_, err = again.ByToken(token + "x")
	require.ErrorIs(t, err, ErrUnknownToken)
	_, err = again.ByToken("")
	require.ErrorIs(t, err, ErrUnknownToken)

	_, err = again.Add(Principal{Name: "principals/ada", Roles: []pb.Role{pb.Role_ROLE_WORKER}})
	require.ErrorIs(t, err, ErrTaken)
	for _, bad := range []Principal{
		{Name: "ada", Roles: []pb.Role{pb.Role_ROLE_WORKER}},
		{Name: "principals/Ada", Roles: []pb.Role{pb.Role_ROLE_WORKER}},
		{Name: "principals/bo"},
		{Name: Anonymous, Roles: []pb.Role{pb.Role_ROLE_WORKER}},
	} {
		_, err = again.Add(bad)
		require.Error(t, err, bad.Name)
	}
	require.NoError(t, again.Remove("principals/ada"))
	_, err = again.ByToken(token)
	require.ErrorIs(t, err, ErrUnknownToken)
	require.ErrorIs(t, again.Remove("principals/ada"), ErrNobody)
}

func TestLend(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "access.yaml")
	d, err := OpenDirectory(path)
	require.NoError(t, err)
	d.Lend(Principal{Name: "principals/report-form", Roles: []pb.Role{pb.Role_ROLE_WORKER}}, "fl_x")
	who, err := d.ByToken("fl_x")
	require.NoError(t, err)
	require.Equal(t, "principals/report-form", who.Name)
	require.True(t, d.Empty(), "a lent principal is nobody who signs in")
	require.NoFileExists(t, path)
}

// TestDirectoryNoticesEdits: whoever was taken out must lose access, also when
// the file's time and size say that nothing happened.
func TestDirectoryNoticesEdits(t *testing.T) {
	t.Parallel()
	line := func(id, token string) []byte {
		return []byte("- id: " + id + "\n  roles: [adviser]\n  token_sha256: " + hash(token) + "\n")
	}
	long := time.Date(2026, 7, 1, 9, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		before, after time.Time // modification times; zero: as the system stamps it
		edit          func(t *testing.T, path string)
	}{
		"another size, same time": {long, long, func(t *testing.T, path string) {
			require.NoError(t, os.WriteFile(path, append([]byte("# longer\n"), line("bob", "b")...), 0o600))
		}},
		"another file of same time and size": {long, long, func(t *testing.T, path string) {
			require.NoError(t, os.WriteFile(path+".new", line("bob", "b"), 0o600))
			require.NoError(t, os.Rename(path+".new", path))
		}},
		"an older time": {long, long.Add(-time.Hour), func(t *testing.T, path string) {
			require.NoError(t, os.WriteFile(path, line("bob", "b"), 0o600))
		}},
		"a second edit in the same tick": {time.Time{}, time.Time{}, func(t *testing.T, path string) {
			info, err := os.Stat(path)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(path, line("bob", "b"), 0o600))
			require.NoError(t, os.Chtimes(path, info.ModTime(), info.ModTime()))
		}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(t.TempDir(), "access.yaml")
			require.NoError(t, os.WriteFile(path, line("ada", "a"), 0o600))
			if !c.before.IsZero() {
				require.NoError(t, os.Chtimes(path, c.before, c.before))
			}
			d, err := OpenDirectory(path)
			require.NoError(t, err)
			_, err = d.ByToken("a")
			require.NoError(t, err)
			c.edit(t, path)
			if !c.after.IsZero() {
				require.NoError(t, os.Chtimes(path, c.after, c.after))
			}
			d.looked = time.Time{} // a second has passed
			_, err = d.ByToken("a")
			require.ErrorIs(t, err, ErrUnknownToken)
			who, err := d.ByToken("b")
			require.NoError(t, err)
			require.Equal(t, "principals/bob", who.Name)
		})
	}
}

func TestDirectoryRefusesUnknownRoles(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "access.yaml")
	require.NoError(t, os.WriteFile(path, []byte("- id: x\n  roles: [emperor]\n"), 0o600))
	_, err := OpenDirectory(path)
	require.ErrorContains(t, err, "emperor")
}

func TestRoleWords(t *testing.T) {
	t.Parallel()
	for _, w := range RoleWords() {
		r, ok := ParseRole(w)
		require.True(t, ok)
		require.Equal(t, w, RoleWord(r))
	}
	require.Len(t, RoleWords(), 11)
}
