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
// # Names told in confidence
//
// A name that is closed to keepers (services/keepers) cannot be searched: neither
// an erasure of its person nor a legal hold on the person sees it, and both say
// so. A keyed fingerprint of the person beside each closed name would let the house
// find it, with a secret outside the database. It would also let whoever holds the
// secret and the list of people, the house itself, join every report that was told
// in confidence to a person, by trying all of them, with no keeper: what the closing
// promises is that this cannot be done. So there is none. A keeper destroys the
// names of one person with their passphrase instead (EraseClosedNames), and hears a
// count. What has to be held is held by its report: a hold on a report keeps the
// name too. The log shows which names were destroyed in one go, as it does of every
// erasure; the reason must not say whom it was about, and whoever erases the person
// minutes later lets a reader of the log guess.
//
// # What it never does
//
// It takes nothing out by itself, and nothing that is under a legal hold. It
// never deletes a record, never changes what is counted, and gives no legal
// advice: the suggested classes say where their periods come from and do
// nothing before people have agreed to them.
package retention
