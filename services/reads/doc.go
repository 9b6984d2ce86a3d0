// Package reads keeps who read what is sensitive: health facts, photos and
// sound, and what tellers wrote. Who told in confidence is recorded by intake
// itself, on disk before the answer leaves.
//
// The gate hands every answer to a [Recorder] on its way out. That takes no time
// that a reader would notice: readings are gathered and written together, each
// at most about a second after its answer, and at shutdown. A server that is
// killed within that second loses them. When the ledger takes nothing, they wait
// in memory, and the log of the server says so; answers do not wait for them.
//
// One entry stands for all that one person read in one way of one report within
// a quarter of an hour; a list is one entry with a count. The package keeps no
// word of what was read.
package reads
