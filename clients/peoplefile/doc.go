// Package peoplefile reads who may come in from a plain table: one row for each
// person.
//
// It is the step before PrincipalService.ImportPrincipals: it turns cells into
// [pb.PrincipalRow] messages that carry their line, and says of every cell that it
// will not take what to write instead. It checks form only; whether a workplace
// exists or a sign-in name is taken, the service decides.
//
// The columns, in any order and case:
//
//	name          what people call them
//	role          worker, supervisor, representative, adviser, … (several: with +)
//	workplaces    northside quarry-road, each with all below it (may be empty: everywhere)
//	sign_in_name  r.fern (may be empty: no sign-in, only tablets)
//	on_tablets    yes or no: they agreed to be picked by name (may be empty: no)
//	left          yes or no: they have left (may be empty: no); the role may then be empty
//	id            1 to 63 lower-case letters, digits, hyphens (may be empty: made from the row)
//
// An id that is made from a row is the same each time, so that a file can be
// brought in again after it was mended, and tells nobody's name.
package peoplefile
