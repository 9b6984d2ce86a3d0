// Package retention keeps and forgets: how long which reports are kept, what
// is held whatever the period, and the taking out of who somebody is and of
// words that must not stand.
//
// It comes after the way of one report: years later, a class that an adviser
// and an administrator agreed to says that words or names are no longer needed;
// or somebody asks to be forgotten. What is counted stays, so that no figure of
// an earlier year changes, now or asked for as at a moment before.
//
// # How something is taken out
//
// The ledger erases the bodies of every version of a resource and keeps their
// hashes, so that the chain verifies. What remains of each version, without
// what had to go, is written beside the report (`reports/{uuid}/kept`), and
// [Kept] puts it in the place of what was erased when somebody reads the
// history or asks for a past moment. One new version of each resource says what
// was done.
//
// # What stays, and must be known
//
// The log keeps the names of resources. A person's id that is a word
// (people/ada) stays in it as the name of something erased; ids that say
// nothing are better, and no report refers to the person any more. Words that
// others wrote may name people too: an erasure lists the reports that somebody
// should read, and [Service.EraseReportText] puts other words in their place.
// Copies made before, such as backups, keep what they hold.
//
// # What it never does
//
// It takes nothing out by itself, and nothing that is under a legal hold. It
// never deletes a record, never changes what is counted, and gives no legal
// advice: the suggested classes say where their periods come from and do
// nothing before people have agreed to them.
package retention
