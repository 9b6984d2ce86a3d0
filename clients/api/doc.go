// Package api is the Go client of the service: it dials, signs in, and makes
// every call safe to repeat.
//
// It is the door through which the command line and every other Go client
// reach the house; they never import a service. On the way out it gives every
// mutation a request id (kept in the request, so that the caller can send the
// same one again), and tells every read which of the caller's own writes it
// must show. When the service says UNAVAILABLE, and only then, it sends the
// same message again, after the time the service asked for. On the way back
// [ProblemOf] turns a refusal into lines that say what to do.
//
// It never sends a token in plain text over a network unless it is told to,
// never logs, and never decides what a person may see.
package api
