// Package blob keeps bytes that are too large for the ledger: photos and sound.
//
// Bytes are named by their SHA-256, so that the same bytes are kept once and
// whoever reads them can tell whether they are what was stored. The ledger
// names the bytes that are needed; bytes that it does not name are left over
// and are swept by whoever stored them.
//
// The package holds the interface that every store meets; blob/files keeps
// bytes as files beside the database, and blob/blobtest is the suite for every
// store. It never looks inside the bytes, never knows what names them, and
// never decides what may be removed.
package blob
