// Package keep looks after the data of a house: it checks it, copies it while
// the service runs, puts a copy back as it was or as it stood at an earlier
// change, and repeats on an old copy what was erased since.
//
// It stands beside the way of a report and touches none of it: everything here
// reads the log through services/ledger and works beside a running server. The
// commands of fairlead-server are its only users.
//
// # What a backup holds
//
// A backup is a folder, or the same files in one tar file:
//
//	ledger.db            the whole ledger at one moment
//	files/…              the photos and sound that it names, by their hash
//	access.yaml          who may use the service
//	sealing/…            the keys with which tablets' reports are opened
//	checkpoint.txt       the end of the log, signed
//	checkpoint.pub       the public key for it; the private one is not copied
//	erasures.jsonl       what was erased up to then, see below
//	demonstration.txt    only of a demonstration
//	manifest.txt         what there is, with sizes and hashes
//
// manifest.txt is text, one thing a line, in this order:
//
//	fairlead backup 1
//	made <YYYY-MM-DDTHH:MM:SSZ>
//	sequence_number <last change>
//	head_hash <its hash, 64 hexadecimal digits>
//	file <SHA-256> <size in bytes> <path>      one for each file, by path
//	end <SHA-256 of all lines before this one>
//
// A backup holds everything that was told, and the keys to it: keep it as safe
// as the service itself.
//
// # What was erased
//
// A backup from before an erasure still holds what was erased. erasures.jsonl
// is the list of erasures, a JSON object a line: the name, its kind, the number
// and hash of the change that says that it was erased, and what was left in its
// place, in base64. A restore repeats a list on an older copy before anybody can
// read it. What was left may be closed and not gone: a name closed to keepers, a
// keeper's key under a passphrase, what a password is checked against. So the list
// is to be kept as safe as a backup.
//
// # What it never does
//
// It never overwrites, never changes a ledger that is in use, and never prints
// or logs what was told or the name of a person.
package keep
