// Package attack tries, as every role and as nobody, to find out what must not be
// found out: who told in confidence or without a name, and what was wrong with
// whom. It is tests only, against a real server with its pages.
//
// A teller with a name that stands nowhere else files reports; then everything
// that any role can fetch is fetched, answers, errors, files, pages, log and
// metrics, and searched for the name byte by byte. A method that is new fails
// until somebody says here how it is asked, or why it need not be.
package attack
