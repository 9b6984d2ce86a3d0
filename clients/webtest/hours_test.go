package webtest

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	pb "fairlead/proto/gen/fairlead/v1"
)

// upload chooses a file of hours in the form and sends it.
func (b *tab) upload(content string, ticks ...string) int64 {
	b.t.Helper()
	file := filepath.Join(b.t.TempDir(), "hours.csv")
	require.NoError(b.t, os.WriteFile(file, []byte(content), 0o600))
	b.open("/setup")
	b.do(chromedp.SetUploadFiles(chromedp.CSS("#file"), []string{file}))
	for _, id := range ticks {
		b.tick(id)
	}
	return b.send("main form button")
}

const columns = "workplace,month,employment_group,hours_worked,head_count,source,status\n"

// TestHours brings hours in through the page.
func TestHours(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	b := newTab(t, h)
	b.signIn("administrator")
	b.open("/setup")
	require.Contains(t, b.text("main"), "No hours yet.")
	good := columns + "northside,2026-07,employee,4200,28,payroll,final\nquarry-road,2026-07,contractor,610.5,4,invoices,provisional\n"
	require.EqualValues(t, 200, b.upload(good, "#check"))
	require.Contains(t, b.text(".done"), "2 rows new, 0 restated, 0 unchanged; checked only, nothing stored")
	require.Zero(t, b.count(".hours"))
	require.EqualValues(t, 200, b.upload(good))
	require.Contains(t, b.text(".done"), "2 rows new")
	require.Contains(t, b.text(".hours"), "Jul 2026")
	require.Contains(t, b.text(".hours"), "4,811", "both rows together, rounded")
	require.EqualValues(t, 200, b.upload(good))
	require.Contains(t, b.text(".done"), "0 rows new, 0 restated, 2 unchanged", "the same file again changes nothing")

	// A figure that is stored already changes only when somebody says so and why.
	changed := columns + "northside,2026-07,employee,4300,28,payroll,final\n"
	require.EqualValues(t, 422, b.upload(changed))
	require.Contains(t, b.text(".wrong"), "line 2")
	require.EqualValues(t, 422, b.upload(changed, "#restate"))
	require.NotZero(t, b.count(`.wrong a[href="#reason"]`), b.text(".wrong"))
	require.Equal(t, 1, b.count("#restate:checked"), "what was ticked stays")
	b.fill("#reason", "Payroll counted leave.")
	file := filepath.Join(t.TempDir(), "hours.csv")
	require.NoError(t, os.WriteFile(file, []byte(changed), 0o600))
	b.do(chromedp.SetUploadFiles(chromedp.CSS("#file"), []string{file}))
	require.EqualValues(t, 200, b.send("main form button"))
	require.Contains(t, b.text(".done"), "1 restated")

	list, err := pb.NewHoursServiceClient(h.conn).ListHours(h.as(t, "adviser"), &pb.ListHoursRequest{StartMonth: "2026-01", PageSize: 100})
	require.NoError(t, err)
	require.Len(t, list.GetHours(), 2)
	b.quiet("hours")
}

// TestHours_bad sends files that cannot be taken: each fault is named by line
// and column with its cure, and nothing is stored.
func TestHours_bad(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	b := newTab(t, h)
	b.signIn("adviser")
	for name, c := range map[string]struct {
		file  string
		words []string
	}{
		"cells":     {columns + "northside,2026-13,employee,4200,28,payroll,final\nnorthside,2026-07,staff,many,28,payroll,final\n", []string{"line 2, column month", "line 3, column employment_group", "line 3, column hours_worked"}},
		"no column": {"workplace,month\nnorthside,2026-07\n", []string{"employment_group"}},
		"nowhere":   {columns + "northside,2026-07,employee,4200,28,payroll,final\natlantis,2026-07,employee,10,1,payroll,final\n", []string{"line 3", "workplace"}},
		"twice":     {columns + "northside,2026-07,employee,4200,28,payroll,final\nnorthside,2026-07,employee,4200,28,payroll,final\n", []string{"line 3"}},
		"to come":   {columns + "northside,2027-01,employee,4200,28,payroll,final\n", []string{"line 2", "month"}},
		"no rows":   {columns, nil},
		"nothing":   {"", nil},
		"a picture": {"\x89PNG\r\n\x1a\n\x00\x00\x00", nil},
	} {
		require.EqualValues(t, 422, b.upload(c.file), name)
		require.NotEmpty(t, b.text(".wrong li"), name)
		for _, w := range c.words {
			require.Contains(t, b.text(".wrong"), w, name)
		}
		require.Empty(t, b.axe(1320), name)
	}
	b.open("/setup")
	require.EqualValues(t, 422, b.send("main form button"), "no file at all")
	require.NotZero(t, b.count(`.wrong a[href="#file"]`))
	b.open("/setup")
	require.Contains(t, b.text("main"), "No hours yet.")
	b.quiet("bad hours")
}
