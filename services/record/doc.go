// Package record says how the nouns of the contract lie in the ledger: their
// kinds, names, bodies and etags. Every room that writes or follows the log
// uses it, so that a body is written and read one way only.
//
// A body is the deterministic protobuf encoding of the message, without its
// etag: the etag follows from the revision and would otherwise say it twice.
// The package holds no rules of any noun and never touches the ledger.
package record
