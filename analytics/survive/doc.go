// Package survive says how long things take when some of them are not finished
// yet: days until an action is closed, a report answered, a person back at work.
//
// It is a side step on the way of a figure: a service hands in one [Observation]
// per action, open ones included, and gets back a [Curve] with its intervals,
// the median, and the share still open by a given day. An open action is
// censored: it counts as "at least so long", because leaving it out would make
// slow work look fast.
//
// The package never averages closed items only, never invents an end for an
// open one (where fewer than half are closed there is no median, and it says
// so), never ranks owners, and never returns NaN or an infinity.
package survive
