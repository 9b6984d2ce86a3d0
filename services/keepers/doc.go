// Package keepers closes the names of those who told in confidence to a named
// few, and opens them again.
//
// A name is encrypted with age to the public keys of all keepers, on its way
// into the ledger. The private key of a keeper lies in the ledger too, itself
// encrypted with the keeper's passphrase (age's scrypt), and is open in memory
// only while one name is opened. So neither a copy of the data nor its
// administrator gets at a name without a passphrase. Whoever controls the
// running server itself while a name comes in or is opened could see it: no
// software on that server prevents that.
//
// While there is no keeper, names lie under the ledger's own seal only, which
// every adviser opens with a reason; the package says so to whoever tells and
// whoever reads. When the first keeper is ready, those names are closed to them
// in the background, a few in each write, and the open ones erased in every
// version. Two keepers are advised: a forgotten passphrase is final.
//
// # Sharing, and ending
//
// Who becomes a keeper later can open what is closed from then on. What came
// before only an earlier keeper can share ([Service.ShareClosedNames]): with their
// passphrase each name is opened in memory, closed to all who are keepers now, and
// what lay there before erased. Somebody who was ended is left out of it.
//
// Ending destroys the key in the ledger, so that the passphrase opens nothing of
// it any more. It cannot take back what was read, nor what lies in an older copy:
// a backup from before holds the key under the passphrase, and every name that was
// closed to it then. After sharing, copies that are made from then on hold nothing
// that an ended keeper's key could open. Destroy older backups to be sure, or let
// them run out with the names in them.
//
// The package decides nothing about who may see a report, never writes a name or
// a passphrase anywhere, and records no reading: intake does.
package keepers
