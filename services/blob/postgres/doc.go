// Package postgres keeps bytes as large objects in a PostgreSQL database, for a
// house whose servers share one: every server reads what any of them took in,
// and a copy of the database is whole.
//
// A table says which object holds the bytes of a hash; the object and its row
// are made, replaced and removed in one transaction, so that nothing is ever
// left over. Its schema is its own, beside that of the ledger.
//
// The package never looks at any other table of the database, and never puts
// an address, which may hold a password, into an error.
package postgres
