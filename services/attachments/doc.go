// Package attachments implements AttachmentService: photos and sound of
// reports.
//
// An upload runs to a file that has no name, is told by its bytes and cleaned
// (attachments/media), drawn for display if it is a photo, put into the store
// of bytes (services/blob), and only then entered in the ledger: what the
// ledger names is on disk. A crash in between leaves bytes that nothing names;
// [Service.Sweep] takes them out when they are a day old, and those of removed
// attachments too. [Check] proves that every attachment's bytes are there.
//
// Who may add: supervisors, advisers and representatives, to what they see;
// and whoever filed a report, for a day after the filing. Nobody knows who
// filed an anonymous report, so there it is whoever may file and knows its
// name, until the end of the next day; what is added then is in the log under
// nobody's name with the day as its time, and nothing of a file that could tell
// is kept.
//
// The package never trusts a name or a declared type, never keeps a place that
// nobody asked to keep, and never logs.
package attachments
