package hoursfile_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/testing/protocmp"

	"fairlead/clients/hoursfile"
	pb "fairlead/proto/gen/fairlead/v1"
)

func heads(n float64) *float64 { return &n }

func TestRead(t *testing.T) {
	t.Parallel()
	const file = "\xef\xbb\xbfWorkplace;Month;Employment group;Hours worked;Head count;Source;Status\r\n" +
		"northside;2026-03;employee;12345.5;72;payroll;final\r\n" +
		"workplaces/quarry-road;Mar 2026;Labour hire;1,234,567;;;Provisional\r\n" +
		";;;;;;\r\n" +
		"\"lakeside\";2026-03-01;Contractor;0;;\"timesheets; by hand\";\r\n"
	rows, problems, err := hoursfile.Read(strings.NewReader(file))
	require.NoError(t, err)
	require.Empty(t, problems)
	want := []*pb.HoursRow{
		{Line: 2, Hours: &pb.Hours{Workplace: "workplaces/northside", Month: "2026-03",
			EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_EMPLOYEE, HoursWorked: 12345.5, HeadCount: heads(72),
			Source: "payroll", Status: pb.HoursStatus_HOURS_STATUS_FINAL}},
		{Line: 3, Hours: &pb.Hours{Workplace: "workplaces/quarry-road", Month: "2026-03",
			EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_LABOUR_HIRE, HoursWorked: 1234567,
			Status: pb.HoursStatus_HOURS_STATUS_PROVISIONAL}},
		{Line: 5, Hours: &pb.Hours{Workplace: "workplaces/lakeside", Month: "2026-03",
			EmploymentGroup: pb.EmploymentGroup_EMPLOYMENT_GROUP_CONTRACTOR, HoursWorked: 0, Source: "timesheets; by hand"}},
	}
	if d := cmp.Diff(want, rows, protocmp.Transform()); d != "" {
		t.Errorf("rows (-want +got):\n%s", d)
	}
}

func TestHoursCell(t *testing.T) {
	t.Parallel()
	for cell, c := range map[string]struct {
		want float64
		cure string
	}{
		"1234.5": {1234.5, ""}, "0": {0, ""}, "007": {7, ""},
		"1,234.5": {1234.5, ""}, "12,345,678": {12345678, ""}, "1 234": {1234, ""},
		"1\u00a0234.25": {1234.25, ""}, "12\u202f345": {12345, ""},
		"1,234":                  {0, "could mean 1234 or 1.234"},
		"1234,5":                 {0, "decimal comma"},
		"1.234,5":                {0, "decimal comma"},
		"1.234.567":              {0, "points between thousands"},
		"1,23,456.0":             {0, "not a number"},
		"":                       {0, "missing is not zero"},
		"-3":                     {0, "below zero"},
		"(3)":                    {0, "below zero"},
		"#N/A":                   {0, "error of the spreadsheet"},
		"######":                 {0, "error of the spreadsheet"},
		"1.2E+05":                {0, "rounded by the spreadsheet"},
		"NaN":                    {0, "not a number"},
		"Inf":                    {0, "not a number"},
		"0x10":                   {0, "not a number"},
		"1_000":                  {0, "not a number"},
		"38:30":                  {0, "time of day"},
		"1234 h":                 {0, "not a number"},
		"about 1200":             {0, "not a number"},
		strings.Repeat("9", 400): {0, "too long"},
	} {
		t.Run(cell, func(t *testing.T) {
			t.Parallel()
			rows, problems, err := hoursfile.Read(strings.NewReader(
				"workplace,month,group,hours\nnorthside,2026-03,employee,\"" + cell + "\"\n"))
			require.NoError(t, err)
			if c.cure == "" {
				require.Empty(t, problems)
				require.InDelta(t, c.want, rows[0].GetHours().GetHoursWorked(), 0)
				return
			}
			require.Empty(t, rows)
			require.Len(t, problems, 1)
			require.Equal(t, 2, problems[0].Line)
			require.Equal(t, "hours_worked", problems[0].Column)
			require.Contains(t, problems[0].Cure, c.cure)
		})
	}
}

func TestMonthCell(t *testing.T) {
	t.Parallel()
	for cell, c := range map[string]struct{ want, cure string }{
		"2026-03":             {"2026-03", ""},
		"2026-03-01":          {"2026-03", ""},
		"2026-03-01 00:00:00": {"2026-03", ""},
		"03/2026":             {"2026-03", ""},
		"3/2026":              {"2026-03", ""},
		"March 2026":          {"2026-03", ""},
		"mar 2026":            {"2026-03", ""},
		"2026-03-15":          {"", "is a day"},
		"01/03/2026":          {"", "not a month"},
		"Mar-26":              {"", "changed by the spreadsheet"},
		"26-Mar":              {"", "changed by the spreadsheet"},
		"46082":               {"", "own number"},
		"2026-13":             {"", "no such month"},
		"1949-12":             {"", "before 1950"},
		"Smarch 2026":         {"", "not a month"},
		"2026":                {"", "not a month"},
		"":                    {"", "is empty"},
	} {
		t.Run(cell, func(t *testing.T) {
			t.Parallel()
			rows, problems, err := hoursfile.Read(strings.NewReader(
				"workplace,month,group,hours\nnorthside," + cell + ",employee,1\n"))
			require.NoError(t, err)
			if c.cure == "" {
				require.Empty(t, problems)
				require.Equal(t, c.want, rows[0].GetHours().GetMonth())
				return
			}
			require.Len(t, problems, 1)
			require.Equal(t, "month", problems[0].Column)
			require.Contains(t, problems[0].Cure, c.cure)
		})
	}
}

// Everything wrong is said at once, and good rows stay.
func TestProblems(t *testing.T) {
	t.Parallel()
	const file = "workplace,month,group,hours,heads,status\n" +
		",2026-3,staff,x,y,maybe\n" + // six things
		"northside,2026-03,employee,10,,\n" +
		"northside,2026-03,public,10,,\n" +
		"northside,2026-03\n" +
		"northside,2026-03,Employee,11,,\n" +
		"northside,2026-04,employee,10,,\n"
	rows, problems, err := hoursfile.Read(strings.NewReader(file))
	require.NoError(t, err)
	require.Len(t, rows, 2)
	var got []string
	for _, p := range problems {
		got = append(got, fmt.Sprintf("%d %s", p.Line, p.Column))
		require.NotEmpty(t, p.Cure)
	}
	require.Equal(t, []string{"2 workplace", "2 month", "2 employment_group", "2 hours_worked", "2 head_count", "2 status",
		"4 employment_group", "5 ", "6 "}, got)
	require.Contains(t, problems[8].Cure, "line 3 already")
}

func TestBadFile(t *testing.T) {
	t.Parallel()
	var many strings.Builder
	many.WriteString("workplace,month,group,hours\n")
	for i := range hoursfile.MaxRows + 1 {
		fmt.Fprintf(&many, "w%d,2026-03,employee,1\n", i)
	}
	for name, c := range map[string]struct{ file, want string }{
		"empty":          {"", "empty"},
		"no rows":        {"workplace,month,group,hours\n", "no rows"},
		"missing":        {"workplace,month\na,b\n", "no column employment_group, hours_worked"},
		"twice":          {"workplace,month,group,hours,Hours worked\n", "twice"},
		"unknown":        {"workplace,month,group,hours,hourz\n", "\"hourz\" is not known"},
		"decimal commas": {"workplace month group hours\n", "no column"},
		"too many":       {many.String(), "split it by year"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, _, err := hoursfile.Read(strings.NewReader(c.file))
			require.ErrorContains(t, err, c.want)
		})
	}
}

// FuzzRead: nothing panics; every row that is taken has a month, a group and
// finite hours of 0 or more; every problem has a line and a cure.
func FuzzRead(f *testing.F) {
	f.Add("workplace,month,group,hours\nnorthside,2026-03,employee,12.5\n")
	f.Add("\xef\xbb\xbfworkplace;month;group;hours;heads\r\n\"a\";Mar 2026;labour hire;1,234.5;3\r\n")
	f.Add("sep=\t\nworkplace\tmonth\tgroup\thours\n\"\t\n")
	f.Add("workplace,month,group,hours,status,source\nx,2026-03-01,volunteer,1 234,final,\"a\nb\"\n")
	f.Fuzz(func(t *testing.T, text string) {
		rows, problems, err := hoursfile.Read(strings.NewReader(text))
		if err != nil {
			require.Empty(t, rows)
			return
		}
		for _, r := range rows {
			h := r.GetHours()
			require.Regexp(t, `^[0-9]{4}-(0[1-9]|1[0-2])$`, h.GetMonth())
			require.NotZero(t, h.GetEmploymentGroup())
			require.True(t, h.GetHoursWorked() >= 0 && !math.IsInf(h.GetHoursWorked(), 0))
			require.Greater(t, r.GetLine(), int64(1))
		}
		for _, p := range problems {
			require.Greater(t, p.Line, 1)
			require.NotEmpty(t, p.Cure)
		}
	})
}
