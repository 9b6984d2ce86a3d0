// Package cube is what facts hand to a room that asks how often things come
// together: counts on up to three dimensions at once, all at one sequence
// number.
//
// It is pure data, a leaf that any room may use: facts fill it on the way of
// one report from the columns to a figure, and measure reads it. It counts
// nothing itself, draws no conclusion, and holds no name of a person.
package cube
