// Package principals is PrincipalService and DeviceService: who may come in, as
// what and for which part of the house, and which shared tablets act for whom.
//
// It stands before every other room: what it writes, the registry in
// services/access follows, and the gate asks. Joining, moving and leaving are
// changes in the log like any other, made by an administrator and in force on
// every server a moment later. Secrets are shown once and kept as hashes; a
// PIN, which has few digits, is kept as argon2id, sealed, and wrong ones are
// slowed down. It knows no report and no health fact.
package principals
