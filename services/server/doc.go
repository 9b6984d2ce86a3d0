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
// What cannot be read is the caller's error and is told like any other, whoever
// found it: the protobuf codec (codec.go), the JSON codec (jsoncodec.go), or the
// transcoder of the web door (plain.go). At the end watches are told when to
// come again, the web door drains before gRPC, and an acknowledged write is on
// disk whatever happens.
//
// The tests walk the descriptors of the contract: a method without a good
// request (good_test.go) and a list of what can be wrong with it
// (badcase_test.go) fails them.
//
// The package never logs a request or a reply: methods, codes, times, sizes
// and ids only.
package server
