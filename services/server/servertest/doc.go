// Package servertest runs a real server in a test: a real store in a temporary
// folder, real doors on loopback, one principal per role, and a clock that the
// test may set. Only the clock is not real.
package servertest
