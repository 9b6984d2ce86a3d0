package ledger

import (
	"context"
	"time"
)

// Values of Put.IfRevision that are not a revision number.
const (
	// Absent says that the resource must not exist yet.
	Absent int64 = 0
	// Any says that the resource may be at any revision, or absent.
	Any int64 = -1
)

// Resource is the current state of one named thing.
type Resource struct {
	// Name is unique in the ledger, for example "reports/0190…".
	Name string
	// Kind is what the body holds, for example "Report". It never changes.
	Kind string
	// Body is the state as the owning service encoded it. An empty one
	// reads back as nil.
	Body []byte
	// Erased says that the body has been erased for good; Body is nil then.
	Erased bool
	// Revision counts the writes of this resource: 1, 2, 3, …
	Revision int64
	// Seq is the number of the change that wrote this revision.
	Seq int64
}

// Put is one intended write of a resource.
type Put struct {
	// Name and Kind say what is written, Verb what was done to it ("file",
	// "amend", "void"). See [CheckPut] for what they may hold.
	Name, Kind, Verb string
	// Body is the full new state, in a deterministic encoding.
	Body []byte
	// IfRevision guards the write: [Absent] (0) writes only a new resource,
	// a positive number only on top of that revision, [Any] (-1) regardless.
	IfRevision int64
	// Seal says that the body tells who somebody is, or something else that
	// must one day be forgotten. It is stored encrypted under a key that
	// belongs to the name and that Erase destroys. Readers see it open.
	Seal bool
}

// Change is one entry of the log.
type Change struct {
	// Seq is the place in the log: 1, 2, 3, … in commit order, without gaps.
	Seq int64
	// Time is in UTC, to the microsecond, never before the change before.
	Time time.Time
	// Actor, Verb, Name and Kind say who did what to which thing.
	Actor, Verb, Name, Kind string
	// Revision is the revision of the resource that this change made.
	Revision int64
	// Body is the full state after the change; nil if it was erased.
	Body []byte
	// Erased says that the body has been erased for good.
	Erased bool
	// Salt keeps the hashes from being guessed; zero in format 1.
	Salt Salt
	// BodyHash commits to the body as it is stored, and stays when the body
	// is erased; see BodyHash.
	BodyHash [32]byte
	// PrevHash is the Hash of the change before; zero for the first.
	PrevHash, Hash [32]byte
	// RequestID is the id of the request that caused it, or "".
	RequestID string
}

// Request says who asks for a mutation and identifies it, so that a replay is
// answered and not done again.
type Request struct {
	// Actor is who does it. It is required.
	Actor string
	// ID is the request id the caller minted, or "" for none. Ids belong to
	// their actor: two actors may use the same id for different things.
	ID string
	// Fingerprint is a hash of the request's content. The same ID with
	// another fingerprint is refused. It is stored keyed; see Secret.
	Fingerprint [32]byte
	// Time is when the request was taken in; zero takes the ledger's clock.
	// All changes of one write are stamped with it, but never later than the
	// ledger's clock and never earlier than the change before.
	Time time.Time
}

// Tx is what a write callback may do. It sees its own puts and claims, and
// those of writes that share its transaction and went before. It is used by
// one goroutine and only until the callback returns.
type Tx interface {
	// Get returns the resource, or [ErrNotFound].
	Get(ctx context.Context, name string) (Resource, error)
	// Put writes a resource and appends a change. It returns an
	// [*ExistsError] when IfRevision is Absent and the name is taken, a
	// [*StaleError] when the resource is at another revision, [ErrNotFound]
	// when a revision was asked for and there is none, [ErrInvalid] when the
	// put itself cannot be stored. The Change has its Seq, Time, Revision
	// and Hash, but counts only once Write has returned.
	Put(ctx context.Context, p Put) (Change, error)
	// Claim makes key in space belong to name. The same name again is fine;
	// another name gets a [*ClaimedError].
	Claim(ctx context.Context, space, key, name string) error
	// Claimed returns the name that holds key in space, or [ErrNotFound].
	Claimed(ctx context.Context, space, key string) (name string, err error)
	// Release frees a key. Releasing a free key is fine.
	Release(ctx context.Context, space, key string) error
	// List returns resources in the order of their names, see Ledger.List.
	List(ctx context.Context, kind, prefix, after string, limit int) ([]Resource, error)
	// Erase makes the bodies of all changes of the name so far unreadable,
	// for ever and for everybody: it destroys the key of those that were
	// sealed and replaces the others by their hash. The log keeps the
	// changes and the chain. Put a new revision after it that says what was
	// erased and why, and what remains. It returns ErrNotFound for a name
	// that never was.
	Erase(ctx context.Context, name string) error
	// SetAnswer sets what the receipt, and every replay of the same request
	// id, carries back. The last call counts. Answers are kept for ever:
	// keep them small. What was written need not be in one, since GetAt
	// with the receipt's Seq gives the resource as it was then.
	SetAnswer(body []byte)
}

// Receipt is the result of a write.
type Receipt struct {
	// Seq is the last change of this write, or the head if it made none. A
	// projection that has applied Seq shows this write.
	Seq int64
	// FirstSeq is the first change of this write, or 0 if it made none. The
	// changes of one write are consecutive.
	FirstSeq int64
	// Answer is what the callback gave to SetAnswer.
	Answer []byte
	// Replayed says that the request id was answered before: nothing was
	// run or written, and the receipt is the first one.
	Replayed bool
}

// Head is the newest change of the log. An empty log has the zero Head.
type Head struct {
	Seq  int64
	Hash [32]byte
	Time time.Time
}

// Ledger is the durable record. All methods may be called concurrently.
type Ledger interface {
	// Write runs fn in a transaction and returns once it is on disk.
	//
	// The transaction may be shared with other writers, and fn may be run
	// twice: it keeps no state, calls nothing slow, and never writes to the
	// ledger other than through tx. An error from fn undoes only what fn
	// did, is returned as it is (so errors.Is and errors.As work), and
	// leaves the request id unused. A panic in fn becomes a [*PanicError].
	//
	// If ctx ends before fn's turn, nothing runs and ctx's error is
	// returned. Once fn has run, Write waits for the commit and reports
	// what happened. Too many waiting writers give [ErrBusy]; a request id
	// used with another fingerprint gives [ErrRequestReused].
	Write(ctx context.Context, r Request, fn func(ctx context.Context, tx Tx) error) (Receipt, error)

	// Get returns the current state of a resource, or [ErrNotFound].
	Get(ctx context.Context, name string) (Resource, error)
	// List returns at most limit resources in the order of their names
	// (bytewise): those of the kind ("" for every kind) whose names start
	// with prefix and come after the name after. limit must be positive.
	List(ctx context.Context, kind, prefix, after string, limit int) ([]Resource, error)
	// Claimed returns the name that holds key in space, or [ErrNotFound].
	Claimed(ctx context.Context, space, key string) (string, error)

	// Changes returns at most limit changes with Seq > after, in order.
	Changes(ctx context.Context, after int64, limit int) ([]Change, error)
	// History returns all changes of one resource, oldest first, or
	// [ErrNotFound].
	History(ctx context.Context, name string) ([]Change, error)
	// GetAt returns a resource as it was when the head was seq:
	// [ErrNotFound] if it did not exist then, [ErrAhead] if the log has not
	// reached seq.
	GetAt(ctx context.Context, name string, seq int64) (Resource, error)

	// Head returns the newest committed change's place, hash and time.
	Head(ctx context.Context) (Head, error)
	// Wait returns when the head is at least seq, or ctx ends.
	Wait(ctx context.Context, seq int64) error
	// Watch returns a channel that receives after each commit; wakes that
	// nobody has taken yet are merged into one. Call the function to stop.
	Watch() (<-chan struct{}, func())

	// Verify recomputes the chain, replays the log and compares it with the
	// resources and request ids. What is wrong is in the Report; an error
	// means that the check itself could not be done.
	Verify(ctx context.Context) (Report, error)
	// Stats returns counters since opening.
	Stats() Stats
	// Close finishes the writes that are waiting, then closes.
	Close() error
}

// Report is the result of a verification.
type Report struct {
	// Changes and Resources were read and checked.
	Changes, Resources int64
	// Erased of the changes have lost their bodies to an erasure.
	Erased int64
	// HeadHash is the hash of the newest change as stored.
	HeadHash [32]byte
	// Problems lists what does not fit, at most [MaxProblems] of them. A
	// sound ledger has none.
	Problems []Problem
	// Truncated says that there are more problems than listed.
	Truncated bool
}

// MaxProblems bounds Report.Problems.
const MaxProblems = 100

// Problem is one thing a verification found wrong. It never holds a body.
type Problem struct {
	// Seq is the change concerned, or 0.
	Seq int64
	// Name is the resource concerned, or "".
	Name string
	// What says in plain words what does not fit.
	What string
}

// Stats are counters since opening, for metrics and tests.
type Stats struct {
	// Writes were committed, in Commits transactions that reached the disk.
	Writes, Commits int64
	// Aborted writes ended by their callback's error; Replayed were answered
	// from memory of an earlier one; Busy were turned away by a full queue;
	// Skipped were given up by their caller before their turn; Failed were
	// lost to the storage and reported so.
	Aborted, Replayed, Busy, Skipped, Failed int64
	// ClockHeld counts writes stamped one microsecond after the change
	// before, because the clock was behind it.
	ClockHeld int64
	// LargestBatch is the largest number of writes in one transaction.
	LargestBatch int64
	// Waiting writers now, of at most QueueSize.
	Waiting, QueueSize int64
}
