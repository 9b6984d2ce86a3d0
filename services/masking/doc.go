// Package masking keeps, beside the story of a report, the story that others may
// read: those beyond its circle, representatives and auditors. What may say who
// somebody is is found by services/mask; an adviser looks at it and decides. Until
// then, and whenever the story was amended since, all that was found is covered.
//
// The package never changes a story, and promises no anonymity: who was there
// may tell from what is left.
package masking
