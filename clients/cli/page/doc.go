// Package page writes answers for people to a terminal or a pipe: paragraphs,
// tables, bars, found words, and a control chart in text.
//
// It is the last step of a command. What a service or a reporter said is
// cleaned of control characters before it is shown, so that a story cannot
// move a cursor or change a title. Meaning is carried by words and shapes:
// bold is used on a terminal only and never alone, and where the terminal
// knows no Unicode everything is said in ASCII. It computes nothing.
package page
