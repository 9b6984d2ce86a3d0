// Package paging makes page tokens: opaque, bound to the other fields of the
// request and to a position key, and signed, so that a client can neither
// craft one nor carry one over to another question (AIP-158).
//
// A token says where to go on, never how many rows to skip: rows that arrive
// in between move nothing.
package paging
