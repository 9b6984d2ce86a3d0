// Package ledger is the durable record of the house: named resources, the
// log of every change made to them, the request ids already answered, and
// unique keys.
//
// It is step three of the way of one report: a service checks a request, then
// writes here, and answers only when the write is on disk. Projections (facts,
// search, notices) follow the log with [Follow] and can be thrown away and
// rebuilt from it.
//
// The package holds the contract and the plain parts every backend shares;
// services/ledger/sqlite is the backend of one machine, services/ledger/postgres
// that of several servers, and services/ledger/ledgertest the suite every backend
// passes. It knows names,
// kinds, revisions, changes, request ids and claims. Bodies are opaque bytes.
// It never looks inside a body, never knows a protobuf type, never decides who
// may do what, and never deletes.
//
// # The chain
//
// Every change carries the hash of the one before, so that whoever has noted a
// head hash (every committee pack prints one) can later prove that nothing up
// to that sequence number was altered, removed, or put between. The encoding
// is fixed, so that an outsider can check it with ten lines of any language.
//
// Each hash is SHA-256 over a list of fields. Each field is written as its
// length in bytes (8 bytes, big-endian, unsigned) followed by the bytes
// themselves. Integers are 8 bytes, big-endian, two's complement; text is
// UTF-8. The hash of a change of format 2, the present one, has nine fields:
//
//	1  tag        the text "fairlead change 2"
//	2  prev_hash  32 bytes: the hash of change seq-1; all zero for seq 1
//	3  seq        integer: 1, 2, 3, … without gaps
//	4  verb       text
//	5  name       text
//	6  kind       text
//	7  revision   integer: 1, 2, 3, … within the name
//	8  who_hash   32 bytes, see below
//	9  body_hash  32 bytes, see below
//
// who_hash has the fields "fairlead who 2", the who salt (16 bytes), the time
// (integer: microseconds since 1970-01-01T00:00:00Z), the actor, and the
// request id, which may be empty. body_hash has the fields "fairlead body 2",
// the body salt (16 bytes), and the body as it is stored.
//
// What a reader may not know enters by a salted hash: the chain can be checked
// by someone who is shown neither what people told nor who told it nor when,
// and who cannot guess it either by trying every name and every minute. Whoever
// is shown a salt can check that half too.
//
// Format 1 was written by the first version and is told by the absence of a
// salt. Its hash has eleven fields: the text "fairlead change 1", prev_hash,
// seq, time, actor, verb, name, kind, revision, the plain SHA-256 of the body,
// request_id. No change of format 1 follows one of format 2.
//
// # What can be forgotten
//
// Nothing is ever taken out of the log. But a body put with [Put.Seal] is
// stored encrypted under a key of its name's own, and [Tx.Erase] destroys that
// key; a body that was not sealed is replaced by its hash. Either way the log
// keeps that there was a change and the chain still verifies, while what was
// said is gone: [Change.Erased] and [Resource.Erased] say so. Copies made
// before, such as backups, keep what they hold until they are destroyed or the
// erasure is repeated on them.
//
// Nothing is kept by which what was erased could be tried: the half of the salt
// that belongs to an erased body goes ([Salt.Forgotten]), and so does the
// fingerprint of each request that made it. Fingerprints of other requests are
// keyed with a secret in a file beside the database ([Secret]); with it, or with
// a guess at it of 256 bits, somebody could try what was asked for. A replay
// whose fingerprint is gone, or was keyed with a secret that is not at hand, is
// told by actor and id alone, so that losing the file costs a check and never a
// report. Plain fingerprints of older programs are keyed when a ledger is opened;
// in backups made before they stay plain.
//
// The chain cannot show by itself that its newest entries were cut off: compare
// with a head noted elsewhere. [Ledger.Verify] finds a cut log when a resource
// or a request id still points past its end.
//
// # Time
//
// Changes are stamped in UTC to the microsecond and never go backwards. If the
// clock does (someone set it, a battery died), a change is stamped one
// microsecond after the one before and the ledger keeps going: order is kept
// by the sequence number, and a report is never refused because of a clock. A
// clock that ran far ahead and was put right therefore holds the stamps at its
// furthest point until time catches up; [Stats] counts such changes.
package ledger
