// Package compute is ComputeService: the mathematics of the house on numbers
// that the caller brings.
//
// It is a room beside the way of a report and knows none: package
// analytics/compute checks the inputs and works the figures out, and this room
// turns messages into them and back. What is wrong with the inputs comes back all
// at once, by the path the client sent.
//
// Work is bounded twice: by the sizes the table of methods takes, and by slots,
// so that however many ask, one core stays free for filing reports. Whoever waits
// too long is told to come again.
//
// The room keeps nothing of what it is handed, writes none of it to a log, and
// gives the same answer to the same request.
package compute
