// Package workplace keeps the tree of workplaces and the people who work
// there. It stands beside the way of one report: filing, counting and seeing
// all ask it where a workplace stands, in which time zone its days run, and
// whether it still takes reports.
//
// [Service] is the gRPC room that changes workplaces and people. [Tree] is its
// projection: it follows the log and answers from memory, so that no other
// room reads workplaces from the ledger. Other rooms declare the few methods
// they need of it as an interface of their own.
//
// The tree has one root, every other workplace has a parent that exists, and
// no workplace stands below itself; writes that would break this are refused
// inside the transaction that would make them. Time zones must load when they
// are given, because a day counted in the wrong zone is a wrong figure.
//
// The package never deletes a workplace: one that closes keeps its reports
// and takes no new ones. It holds no health facts and never logs a name.
package workplace
