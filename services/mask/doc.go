// Package mask finds what may say who somebody is in free text: names, phone
// numbers, addresses of e-mail, number plates. It suggests; people decide. Where
// a text goes beyond its circle before anybody has decided, what was found is
// covered.
//
// It knows the people and the places of the house, and guesses besides: a word
// in capitals after "told", "asked" or "Mr", a pair of words in capitals that is
// no place and begins no sentence. It misses names that are written small and
// known to nobody, nicknames, and whoever can be told from what they did; it
// covers some makers of machines. How often is measured in its tests on invented
// stories, and on real ones whose names were taken out before. A name that was
// found in one text of a report, or covered there by hand, is covered in its other
// texts too ([Own]). No text leaves the process. A covered text is not an anonymous
// one.
package mask
