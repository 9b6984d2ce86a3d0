// Package answers tells why an item of a report has no value.
//
// Every item of a Report, Harm, Release or Coding is in exactly one of four
// states: known, not known, does not apply, not asked. A blank would hide the
// difference, and with it how much of a figure nobody asked about. An item
// with a value is known; one without is in the state that the `answers` map of
// its message gives, and not asked when the map is silent.
//
// Filing uses [Check] and [Normalise] so that only the two states that say
// something new are kept in the map; exports use [Items] and [State].
//
// The package knows nothing of storage or of callers. Plain booleans
// (typed_by_another, illness, blind) are no items: without presence they always
// have a value.
package answers
