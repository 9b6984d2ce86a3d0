// Package server wires the house together: the ledger, the projections that
// follow it, one room per gRPC service, the interceptors that every call
// passes, and the doors: native gRPC with reflection and health on one port,
// pages, REST/JSON, Connect and gRPC-Web on the other.
//
// It is the only package that knows all rooms. A call passes, in this order:
// recovery, request id and log, metrics, deadline, who is it, may they, is it
// well formed; then the room. Errors leave as in services/fault; a cause that
// must not leave is logged under an id and the id is sent.
//
// The package never logs a request or a reply: methods, codes, times, sizes
// and ids only.
package server
