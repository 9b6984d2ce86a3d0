// Package changes is ChangeService: the log of changes as an outsider may read
// it, with hashes and without what was said.
//
// It is the last step of the way of one report: whoever must prove that
// nothing was rewritten reads the chain here. It never returns a body, and for
// an anonymous filing it returns the day only and no actor.
package changes
