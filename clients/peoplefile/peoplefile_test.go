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
	rows, problems, err := peoplefile.Read(strings.NewReader("Name;Role;Workplaces;Sign-in name;On tablets\n" +
		"R. Fern;supervisor;northside-trees;r.fern;yes\n" +
		"M. Moss;worker + representative;northside quarry-road;;no\n"))
	require.NoError(t, err)
	require.Empty(t, problems)
	require.Len(t, rows, 2)
	fern, moss := rows[0].Principal, rows[1].Principal
	require.Equal(t, 2, rows[0].Line)
	require.Equal(t, []string{"workplaces/northside-trees"}, fern.GetGrants()[0].GetWorkplaces())
	require.True(t, fern.GetOfferedOnTablets())
	require.NotContains(t, fern.GetName(), "fern", "an id tells nobody's name")
	require.Equal(t, pb.Role_ROLE_REPRESENTATIVE, moss.GetGrants()[1].GetRole())
	require.Equal(t, []string{"workplaces/northside", "workplaces/quarry-road"}, moss.GetGrants()[1].GetWorkplaces())
	again, _, err := peoplefile.Read(strings.NewReader("name,role,sign_in_name\nRowan Fern,adviser,R.FERN\n"))
	require.NoError(t, err)
	require.Equal(t, fern.GetName(), again[0].Principal.GetName(), "whoever signs in with the name is the same")
}

func TestRead_refuses(t *testing.T) {
	t.Parallel()
	for file, want := range map[string]string{
		"":                           "people file",
		"name,role\n":                "no rows",
		"name\nx\n":                  "no column role",
		"name,role,shoe size\nx,y,z": `"shoe size" is not known`,
		"name,role,name\nx,worker,x": "twice",
	} {
		_, _, err := peoplefile.Read(strings.NewReader(file))
		require.ErrorContains(t, err, want, file)
	}
	rows, problems, err := peoplefile.Read(strings.NewReader("name,role,on_tablets\n,worker,\nA,emperor,\nB,,\nC,worker,perhaps\nD,worker,\nD,worker,\n"))
	require.NoError(t, err)
	require.Len(t, rows, 1)
	var got []string
	for _, p := range problems {
		got = append(got, p.Column)
		require.NotContains(t, p.Cure, "emperor")
	}
	require.Equal(t, []string{"name", "role", "role", "on_tablets", ""}, got)
}

func FuzzRead(f *testing.F) {
	f.Add("name,role\nA,worker\n")
	f.Add("name;role;workplaces\n\"A\nB\";worker+adviser;x y\n")
	f.Fuzz(func(t *testing.T, file string) {
		rows, _, err := peoplefile.Read(strings.NewReader(file))
		if err != nil {
			return
		}
		for _, r := range rows {
			require.NotEmpty(t, r.Principal.GetDisplayName())
			require.NotEmpty(t, r.Principal.GetGrants())
		}
	})
}
