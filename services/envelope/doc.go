// Package envelope is SealedService: it opens what a shared tablet sealed and
// files it like any other report.
//
// Its step on the way of one report: before the first. A tablet that many hands
// pass around keeps reports until there is a network, and must not be able to
// read them meanwhile. It seals each one to the public key of this house
// (RFC 9180, HPKE in base mode) and forgets the rest; here the private key is,
// and here it is opened. What comes out goes through the door inside the house
// with the caller's own authority: the same gate, the same rules, the same
// answer to a replay.
//
// Keys ([Keys]) lie in a folder of the data, the newest is in force, and old
// ones are kept: a tablet may come back after months with what it sealed to one
// of them. Without them what tablets still hold is lost, so they belong into
// every backup.
//
// What it never does: it stores nothing itself, writes nothing of what it opened
// to a log or into an error, and sends none of it back: the answer holds the
// short code, never the words.
package envelope
