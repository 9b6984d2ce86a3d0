package access

import (
	"os"
	"path/filepath"
	"testing"

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
	require.Len(t, RoleWords(), 8)
}
