// Package hoursfile reads hours worked from a plain table: one row for each
// workplace, month and employment group.
//
// It is the step before HoursService.ImportHours: it turns cells into
// [pb.HoursRow] messages that carry their line, and says of every cell that it
// will not take, what to write instead. A figure that two readers could read
// differently (1,234 or 1.234) is refused, never guessed, and an empty cell is
// never a zero: when hours are not known the row is left out, and every rate
// then says which month is missing.
//
// It checks form only. Whether a workplace exists, whether hours were counted
// twice along the tree, and what looks odd, the service decides.
//
// The columns, in any order and case:
//
//	workplace         northside, or workplaces/northside
//	month             2026-03
//	employment_group  employee, labour-hire, contractor or volunteer
//	hours_worked      1234.5
//	head_count        12 (may be empty)
//	source            payroll (may be empty)
//	status            final or provisional (may be empty: final)
package hoursfile
