// Package fault makes the status errors that leave the house, all in one
// table, so that every service says the same thing the same way.
//
// Rooms return these from their RPC methods; inside a room errors are plain
// wrapped Go errors. Each status carries an ErrorInfo with a stable reason and
// the domain "fairlead" (AIP-193); bad fields carry one violation per field
// that says what to do. The cause of an internal error is never sent: the
// interceptor logs it under an id and sends the id.
//
// The package never logs and never puts a narrative, a name or a health fact
// into a message: violations speak of fields, not of their values, unless the
// value is a code, a date or a resource name.
package fault
