package published

import (
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

// The allowances of these topics must not let a wrong value pass: each case is
// wrong by a little more than allowed.
func TestRunDir_allowancesAreTight(t *testing.T) {
	t.Parallel()
	const flat = `"counts":[3,2,4,3,1,5,2,3,4,2,3,3,2,4,3,2,3,1,4,3]`
	for name, c := range map[string]struct{ body, want string }{
		"a simulated chance":       {`{"id":"a","method":"change_point","inputs":{` + flat + `},"expected":{"p_value_simulated":0.985}}`, "within 0.01"},
		"a rounded date":           {`{"id":"a","method":"change_point_continuous","inputs":{"times":[1,2,3,9],"start":0,"end":10},"expected":{"rate_before":1.000001}}`, "rate_before: got 1"},
		"a p-value":                {`{"id":"a","method":"chi_square_rxc","inputs":{"rows":[[30,10],[10,30]]},"expected":{"p":7.74422e-06}}`, "p: got 7.744"},
		"a tiny p-value":           {`{"id":"a","method":"chi_square_rxc","inputs":{"rows":[[300,100],[100,300]]},"expected":{"p":2.09e-45}}`, "p: got 2.088"},
		"an unknown kind of term":  {`{"id":"a","method":"poisson_regression","inputs":{"y":[1,2],"response":"y","model":[{"column":"x","kind":"guess"}]},"expected":{"aic":1}}`, "of kind guess"},
		"a missing column":         {`{"id":"a","method":"poisson_regression","inputs":{"y":[1,2],"response":"y","model":[{"column":"x","kind":"numeric"}]},"expected":{"aic":1}}`, "input x: is missing"},
		"an undefined fit":         {`{"id":"a","method":"poisson_regression","inputs":{"y":[0,0],"response":"y","model":[]},"expected":{"aic":1}}`, "no case"},
		"a median that is there":   {`{"id":"a","method":"kaplan_meier","inputs":{"time":[3,4],"event":[1,1]},"expected":{"median":null}}`, "median: got 3.5"},
		"groups that do not match": {`{"id":"a","method":"logrank","inputs":{"time":[3,4],"event":[1,1],"group":["a"]},"expected":{"chi2":1}}`, "1 labels for 2 items"},
		"half a report":            {`{"id":"a","method":"cohen_kappa","inputs":{"table":[[1.5,2],[3,4]]},"expected":{"kappa":1}}`, "whole numbers"},
		"no finite fit":            {`{"id":"a","method":"gamma_poisson_fit","inputs":{"counts":[5,5,5],"exposure":[1,1,1]},"expected":{"converges":true}}`, "converges: got false"},
		"no exposure":              {`{"id":"a","method":"predictive","inputs":{"events":0,"exposure":0,"next_exposure":1,"target":1},"expected":{"mean":0}}`, "no hours so far"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			tally, err := RunDir(fstest.MapFS{"09_x.json": {Data: []byte(`{"topic":"x","cases":[` + c.body + `]}`)}})
			require.NoError(t, err)
			require.Equal(t, 1, tally.Failed, "%+v", tally)
			require.Contains(t, strings.Join(tally.Outcomes[0].Problems, "\n"), c.want)
		})
	}
}

// Inputs may come inline or from a data file, by several names.
func TestRunDir_readsGenerally(t *testing.T) {
	t.Parallel()
	dir := fstest.MapFS{
		"data/a.csv": {Data: []byte("crew,days,closed\nroads,3,1\nroads,5,0\ntrees,8,1\ntrees,9,1\n")},
		"data/b.csv": {Data: []byte("v1,v2,v3\n1,1,1\n1,1,2\n2,2,2\n")},
		"data/c.csv": {Data: []byte("u1,u2,u3\n1,2,\n1,2,3\n,2,1\n")},
		"09_x.json": {Data: []byte(`{"topic":"x","cases":[
			{"id":"a","method":"logrank","inputs":{"file":"data/a.csv"},"expected":{"df":1,"observed":[1,2]}},
			{"id":"b","method":"logrank","inputs":{"time":[3,5,8,9],"status":[2,1,2,2],"group":[10,10,9,9]},"expected":{"df":1,"observed":[2,1]}},
			{"id":"c","method":"fleiss_kappa","inputs":{"file":"data/b.csv"},"expected":{"kappa":0.55}},
			{"id":"d","method":"krippendorff_alpha","inputs":{"file":"data/c.csv","level":"nominal"},"expected":{"pairable":7}},
			{"id":"e","method":"weighted_kappa","inputs":{"table":[[3,1],[0,4]],"weights":"linear"},"expected":{"kappa":0.75}},
			{"id":"f","method":"poisson_regression","inputs":{"y":[3,4,0],"h":[1,2,0],"crew":["a","b","a"],"response":"y","model":[{"column":"crew","kind":"factor","levels":["a","b"]}],"exposure":{"column":"h","per":2}},"expected":{"df_residual":0,"terms":["(Intercept)","crewb"]}}
		]}`)},
	}
	tally, err := RunDir(dir)
	require.NoError(t, err)
	require.Zero(t, tally.Failed, "%+v", tally.Outcomes)
}
