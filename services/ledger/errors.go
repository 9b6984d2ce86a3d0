package ledger

import (
	"errors"
	"fmt"
	"runtime"
)

// Kinds of failure; test with errors.Is.
var (
	// ErrNotFound says that there is no such resource, claim or history.
	ErrNotFound = errors.New("not found")
	// ErrExists says that a new resource's name is taken; see [ExistsError].
	ErrExists = errors.New("already exists")
	// ErrStale says that the resource has moved on; see [StaleError].
	ErrStale = errors.New("revision is not current")
	// ErrClaimed says that a key belongs to another name; see
	// [ClaimedError].
	ErrClaimed = errors.New("key is claimed by another name")
	// ErrRequestReused says that the request id was used before for another
	// request.
	ErrRequestReused = errors.New("request id was used for another request")
	// ErrBusy says that too many writers are waiting, or that another program
	// has locked the data. Nothing was written; try again a little later
	// with the same request id.
	ErrBusy = errors.New("ledger is busy")
	// ErrAway says that the database does not answer. Nothing was written.
	ErrAway = errors.New("the database does not answer")
	// ErrUnknown says that the connection to the database was lost while it
	// committed, and that it is not known whether it did. Sending the same
	// request id again settles it: the write is then done once.
	ErrUnknown = errors.New("the database went away during the commit, and it is not known whether the write is kept")
	// ErrFull says that the disk is full. Nothing was written.
	ErrFull = errors.New("the disk is full")
	// ErrInvalid says that an argument cannot be stored or asked for.
	ErrInvalid = errors.New("invalid argument")
	// ErrAhead says that the log has not reached the asked-for number.
	ErrAhead = errors.New("the log has not reached that number")
	// ErrNested says that a write was started inside a write's callback,
	// where it would wait for itself.
	ErrNested = errors.New("write inside a write")
	// ErrTxDone says that a Tx was used after its callback returned.
	ErrTxDone = errors.New("transaction is over")
	// ErrPanic says that a write's callback panicked; see [PanicError].
	ErrPanic = errors.New("write callback panicked")
	// ErrReadOnly says that the ledger was opened for reading only.
	ErrReadOnly = errors.New("ledger is open for reading only")
	// ErrClosed says that the ledger is closed or closing.
	ErrClosed = errors.New("ledger is closed")
	// ErrLocked says that another process has the data open for writing.
	ErrLocked = errors.New("data folder is in use by another process")
	// ErrNewer says that the data was written by a newer version of the
	// software than this one.
	ErrNewer = errors.New("data was written by a newer version")
	// ErrOlder says that the data was written by an older version and must be
	// brought up to date before it can be read.
	ErrOlder = errors.New("data was written by an older version")
)

// ExistsError says which resource is in the way.
type ExistsError struct {
	Name     string
	Revision int64
}

// Error implements error.
func (e *ExistsError) Error() string {
	return fmt.Sprintf("ledger: %s %v at revision %d", e.Name, ErrExists, e.Revision)
}

// Is reports that this is an ErrExists.
func (e *ExistsError) Is(target error) bool { return target == ErrExists }

// StaleError carries the revision that is current.
type StaleError struct {
	Name string
	// Want is the revision the put asked for, Current the one that is.
	Want, Current int64
}

// Error implements error.
func (e *StaleError) Error() string {
	return fmt.Sprintf("ledger: %s: %v: wanted %d, is at %d", e.Name, ErrStale, e.Want, e.Current)
}

// Is reports that this is an ErrStale.
func (e *StaleError) Is(target error) bool { return target == ErrStale }

// ClaimedError carries the name that holds the key. It never carries the key,
// which may say something about a person.
type ClaimedError struct {
	Space string
	// Name holds the key.
	Name string
}

// Error implements error.
func (e *ClaimedError) Error() string {
	return fmt.Sprintf("ledger: %s: %v: %s", e.Space, ErrClaimed, e.Name)
}

// Is reports that this is an ErrClaimed.
func (e *ClaimedError) Is(target error) bool { return target == ErrClaimed }

// PanicError is what a panic in a write's callback becomes. Its text leaves
// the value out unless it is the Go runtime's own, because a value may hold
// what somebody told.
type PanicError struct {
	Value any
	Stack []byte
}

// Error implements error.
func (e *PanicError) Error() string {
	if re, ok := e.Value.(runtime.Error); ok {
		return fmt.Sprintf("ledger: %v: %v", ErrPanic, re)
	}
	return fmt.Sprintf("ledger: %v: value of type %T", ErrPanic, e.Value)
}

// Is reports that this is an ErrPanic.
func (e *PanicError) Is(target error) bool { return target == ErrPanic }
