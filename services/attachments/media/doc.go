// Package media knows the few forms of photo and sound that reports may carry:
// it tells them by their bytes, takes out what they say beside the picture or
// the sound, and draws the pictures for display.
//
// Nothing is re-encoded to clean it: a file is cut into pieces, and those that
// hold a place, a name, a comment, a maker's note, a second picture or a
// trailer are left out or filled with nothing. What is kept is what it takes to
// show or play it, the colour profile, which way is up, and, unless nobody may
// know who told, when a photo was taken. [Clean] says form by form what stays.
//
// Files come from strangers. Every length is checked against what is there, no
// parser recurses without a bound or reads a file whole into memory, and a
// picture that would not fit into [MostMemory] is refused before it is opened.
// The package never trusts a name or a declared type, and never logs.
package media
