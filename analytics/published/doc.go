// Package published holds the numbers of the house against numbers from
// outside it: books, papers, official handbooks and independent software.
//
// It is the last step on the way of a figure, walked by tests and by anybody
// who doubts one. A folder of fixtures holds files NN_topic.json with cases;
// each names a method, its inputs, the values expected and their source.
// [Compute] runs one method through the same public functions that services
// call; [RunDir] runs a whole folder and counts. From a shell:
//
//	go test ./analytics/published -fixtures DIR
//
// The package never computes anything itself that another package of analytics
// offers, and never passes what it did not compare: a method it does not know
// and a value it cannot produce are failures.
package published
