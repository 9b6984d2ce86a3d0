// Package proto holds the contract: fairlead/v1/*.proto are the nouns of the
// house and the verbs of its services, proto/gen is what is generated from
// them and committed, proto/third_party what they import.
//
// The generated messages are the domain types; there is no second set of
// structs. Field rules live beside the fields as protovalidate constraints.
package proto
