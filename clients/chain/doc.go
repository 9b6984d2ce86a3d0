// Package chain checks a log of changes and a signed checkpoint from outside:
// from what the service shows, and by nothing but what DEVELOPERS.md says.
//
// It stands where an auditor stands and shares no code with the service, so
// that the two hold each other to the page. It needs no service: a log that was
// saved once and a checkpoint that was kept are enough.
//
// It never reads what was told, and says what it could not check rather than
// pass over it.
package chain
