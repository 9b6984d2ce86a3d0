package peoplefile_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fairlead/clients/peoplefile"
	pb "fairlead/proto/gen/fairlead/v1"
)

func TestRead(t *testing.T) {
	t.Parallel()
	l, err := peoplefile.Read(strings.NewReader("Name;Role;Workplaces;Sign-in name;On tablets\n"+
		"R. Fern;supervisor;northside-trees;r.fern;yes\n"+
		"M. Moss;worker + representative;northside quarry-road;;no\n"), "")
	require.NoError(t, err)
	require.Empty(t, l.Problems)
	require.Len(t, l.Rows, 2)
	require.Equal(t, []string{"display_name", "grants", "offered_on_tablets", "sign_in_name"}, l.Told)
	fern, moss := l.Rows[0].GetPrincipal(), l.Rows[1].GetPrincipal()
	require.EqualValues(t, 2, l.Rows[0].GetLine())
	require.Equal(t, []string{"workplaces/northside-trees"}, fern.GetGrants()[0].GetWorkplaces())
	require.True(t, fern.GetOfferedOnTablets())
	require.NotContains(t, fern.GetName(), "fern", "an id tells nobody's name")
	require.Equal(t, pb.Role_ROLE_REPRESENTATIVE, moss.GetGrants()[1].GetRole())
	require.Equal(t, []string{"workplaces/northside", "workplaces/quarry-road"}, moss.GetGrants()[1].GetWorkplaces())
	again, err := peoplefile.Read(strings.NewReader("name,role,sign_in_name,left\nRowan Fern,,R.FERN,yes\n"), "")
	require.NoError(t, err)
	require.Empty(t, again.Problems)
	require.Equal(t, fern.GetName(), again.Rows[0].GetPrincipal().GetName(), "whoever signs in with the name is the same")
	require.True(t, again.Rows[0].GetLeft())
	require.Equal(t, []string{"display_name", "grants", "sign_in_name"}, again.Told, "what the file has no column for it does not say")
	require.Equal(t, "line 3, column workplaces: x", l.At("rows[1].principal.grants[0].workplaces[0]", "x").String())
	require.Equal(t, "line 2, column sign_in_name: x", l.At("rows[0].principal.sign_in_name", "x").String())
	require.Equal(t, "x", l.At("rows", "x").String())
	old, err := peoplefile.Read(strings.NewReader("name;role\n\xc5sa;worker\n"), "windows-1252")
	require.NoError(t, err)
	require.Equal(t, "\u00c5sa", old.Rows[0].GetPrincipal().GetDisplayName())
}

func TestRead_refuses(t *testing.T) {
	t.Parallel()
	for file, want := range map[string]string{
		"":                           "empty",
		"Fern Placeholder,adviser\n": "must name the columns",
		"name,role\n":                "no rows",
		"name\nx\n":                  "no column role",
		"name,role,shoe size\nx,y,z": `"shoe size" is not known`,
		"name,role,name\nx,worker,x": "twice",
	} {
		_, err := peoplefile.Read(strings.NewReader(file), "")
		require.ErrorContains(t, err, want, file)
		require.NotContains(t, err.Error(), "Fern", "what may be somebody's row is not said again")
	}
	l, err := peoplefile.Read(strings.NewReader("name,role,on_tablets,sign_in_name,id\n,worker,,,\nA,emperor,,,\nB,,,,\nC,worker,perhaps,,\nD,worker,,,\nD,worker,,,\nE,device,,,\nF,worker,,f,f1\nG,worker,,F,f2\n"), "")
	require.NoError(t, err)
	require.Len(t, l.Rows, 2)
	var got []string
	for _, p := range l.Problems {
		got = append(got, p.Column)
		require.NotContains(t, p.Cure, "emperor")
	}
	require.Equal(t, []string{"name", "role", "role", "on_tablets", "", "role", "sign_in_name"}, got)
}

func FuzzRead(f *testing.F) {
	f.Add("name,role\nA,worker\n")
	f.Add("name;role;workplaces\n\"A\nB\";worker+adviser;x y\n")
	f.Fuzz(func(t *testing.T, file string) {
		l, err := peoplefile.Read(strings.NewReader(file), "")
		if err != nil {
			return
		}
		for _, r := range l.Rows {
			require.NotEmpty(t, r.GetPrincipal().GetDisplayName())
			require.True(t, r.GetLeft() || len(r.GetPrincipal().GetGrants()) > 0)
		}
	})
}
