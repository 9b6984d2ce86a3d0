// Package analytics is the roof over the mathematics of the house: pure
// functions over slices and small structs, built on the standard library and
// gonum alone.
//
// The rooms, in the order in which a figure passes through them:
//
//   - dist: the probabilities everything else rests on (Poisson, binomial and
//     relatives, exact limits, root finding);
//   - rate: one rate with its interval, and two rates compared;
//   - spc: control charts and the sentence under them;
//   - change, sites, cause, agree, survive, predict: the further questions a
//     safety committee asks;
//   - compute: every method above on anybody's own numbers;
//   - figure: drawing;
//   - published: every number above held against published and independently
//     computed values.
//
// Nothing under analytics knows of protobuf, storage, clocks or the network,
// and nothing in it returns NaN or an infinity: where a figure has no value,
// the result says so and says why.
package analytics
