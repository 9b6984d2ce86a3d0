// Package export is ExportService: summaries for outsiders, as a message, CSV,
// JSON and PDF.
//
// A summary is made of the same figures that the committee sees, asked from
// the measure room through a small interface, so that the two cannot differ.
// Every figure keeps its count, exposure, interval, method and sequence
// number; unknowns are counted in each of the four states; counts small enough
// to name a person are held back, and so are those from which a held-back
// count could be worked out.
//
// The package never writes a narrative, a name, an identity or a resource name
// of a report into a file.
package export
