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
// services/ledger/sqlite is the backend of one machine and
// services/ledger/ledgertest the suite every backend passes. It knows names,
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
// The hash of a change is SHA-256 over eleven fields in this order. Each field
// is written as its length in bytes (8 bytes, big-endian, unsigned) followed
// by the bytes themselves. Integers are 8 bytes, big-endian, two's complement;
// text is UTF-8.
//
//	 1  tag         the text "fairlead change 1"
//	 2  prev_hash   32 bytes: the hash of change seq-1; all zero for seq 1
//	 3  seq         integer: 1, 2, 3, … without gaps
//	 4  time        integer: microseconds since 1970-01-01T00:00:00Z
//	 5  actor       text
//	 6  verb        text
//	 7  name        text
//	 8  kind        text
//	 9  revision    integer: 1, 2, 3, … within the name
//	10  body_hash   32 bytes: SHA-256 of the body
//	11  request_id  text, may be empty
//
// The body enters by its hash, so that the chain can be checked by someone who
// is shown the hashes of the bodies and not what people told.
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
