// Package search finds reports by their words: the SearchService and the index
// behind it.
//
// Its step on the way of one report: the report is committed, the index
// follows the log of changes, and well under a second later a supervisor who
// types what they remember of it finds it again. The index is a projection
// ([Projection]): it can be thrown away at any time and is rebuilt from the
// ledger; it does so by itself when it was made by another version of this
// package, when it does not belong to this ledger, or when it is damaged.
//
// # What is indexed
//
// What happened, in the words of whoever told: narrative, spot, the task
// before, what was done right away, who could have been hurt, the damage, what
// was released and the steps taken, the title an imported record came with,
// and the short code. All of it in one field, "words". What is said of the
// bodies of people hurt lies in a field of its own, "health", which is asked
// only for someone whose view has health: nobody else can find a report by it,
// nor leave one out by it, nor learn from a correction that the word exists.
// Who told, and who was hurt, is never indexed.
//
// Those who may not know who did what read stories in which names are covered
// ([Covers]). A report in which something is covered has its texts twice: as they
// were told, in fields of their own that only those ask who read them so, and as
// they read covered, in fields that only the others ask. What is covered is in no
// field that they can ask, so it is neither found nor counted, nor does it move the
// order, nor is a slip read as it. A report in which nothing is covered has its
// texts once. The index follows what is covered: a decision, and the names of
// people and places, make those documents anew in which something may read
// otherwise.
//
// No text is stored: the index holds words and their places. Passages are cut
// from the report as the ledger has it at that moment and as the asker may see
// it ([fairlead/services/access.Redact]).
//
// # How words are read
//
// Every word is wanted, in any form of it. "Quoted words" stand next to each
// other in that order. A word or phrase after a minus sign is unwanted. Small
// words of English are not looked for; words of direction and negation (off,
// over, without) count only inside a phrase and otherwise help the order.
// Words that mean the same at work (lorry, truck) find each other. A word that
// finds nothing among the reports the asker may see is read as the nearest
// ones that do. Whatever was read otherwise than written is said in the notes.
// The knowledge of English is a table, data/english.csv.
//
// # How hits are ordered
//
// By how dense the wanted words are in the report. The order does not depend
// on how often a word occurs elsewhere: so it says nothing of reports the
// asker may not see, does not shift while someone turns pages, and is the same
// after a rebuild.
//
// # What it never does
//
// It never counts by category: that is done by facts. It never decides what
// someone may see: it asks the access package. It never logs a word that was
// searched or told. Only this package knows bleve.
package search
