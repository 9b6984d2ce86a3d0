// Package moment makes the past answerable: it says which change a question
// means that is asked as at a moment, shows the ledger as it stood after that
// change, and keeps the few past worlds that were asked for last.
//
// It is step seven of the way of one report. [Resolve] turns the contract's
// AsAt into a [Point]: a sequence number and the time up to which is counted
// what goes on by itself. [Log] is the ledger as it stood at a point, for
// projections to be built from and for bodies to be read. [Keeper] builds such
// projections once however many ask, one at a time, and forgets the one that
// nobody has asked for longest.
//
// # What it never does
//
// It knows no room, no rule of access and nothing about what a projection is:
// who may see what is decided by the rooms, with the roles and the tree of
// today. It never writes to the ledger, and what the ledger no longer holds is
// not there at any moment.
package moment
