// Package intake takes reports in: step two and three of the way of one report.
// It checks what is filed, stores it with its change in one transaction, and
// answers only when the write is on disk. After that it amends, voids, adds
// harms, records outcomes and absences, shows the history, and imports records
// of other origin.
//
// The report and the person who told it are two resources. Who told in
// confidence is opened only with a reason, and the opening is recorded before
// the answer leaves. An anonymous report keeps no teller, no device clock, no
// role, and of its times only the day.
//
// A replay of the same request, or of the same report, is answered as the first
// time and writes nothing: a tablet may send again for weeks. Refusals name
// every field at once and say what to do; nothing is half written.
//
// What a filing is told are cautions. The package never says that something
// need not be notified, never decides a duty, never deletes a report, never
// logs what was told, and never shows codes or counts of persons.
package intake
