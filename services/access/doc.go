// Package access decides who may see and do what: principals, roles, one
// decision per method, the rows of a workplace subtree, and which fields a
// reply may carry.
//
// Every method of every service is decided by [Policy.Allow], called by one
// interceptor before the method runs and before anything is looked up, so that
// a refusal never tells whether a thing exists. A test fails for a method
// without a rule. Rooms then narrow rows with [Narrow] and fields with
// [ViewOf] and [Redact].
//
// The package never opens a confidential identity and never logs.
package access
