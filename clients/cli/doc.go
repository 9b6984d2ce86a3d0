// Package cli is the command line, `fairlead`: everything the service offers,
// in plain words, for a terminal, a script or a scheduled task.
//
// It is a face: it asks, calls the service by gRPC through clients/api, and
// shows what came back. A command prints for people, or with --json the
// message of the contract as it came. It exits with 0 when it did what it was
// asked, 1 when that was refused or failed, and 2 when the command itself was
// not understood.
//
// `fairlead compute` alone needs no service: it hands numbers of one's own to
// analytics/compute and answers in the words of the contract.
//
// It computes no figure of reports, keeps no report, and never prints a token. What
// people wrote is cleaned of control characters before it reaches a terminal.
package cli
