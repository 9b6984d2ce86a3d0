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
// whoever reads. Two keepers are advised: a forgotten passphrase is final.
//
// The package decides nothing about who may see a report, never writes a name or
// a passphrase anywhere, and records no reading: intake does.
package keepers
