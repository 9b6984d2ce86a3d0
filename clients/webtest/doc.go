// Package webtest looks at the desk with a real browser on a real server: it
// is where somebody finds out before a crew does that a page cannot be read,
// reached by keyboard, sent without script, or seen by the wrong person.
//
// Two servers stand behind the tests. The demonstration world, made once, is
// for looking: every page as every role, at four widths. Small empty houses,
// one per test, are for doing: filing, amending, coding, bringing in hours.
// The browser is Debian's Chromium, driven over its debugging protocol; when it
// is missing the tests fail and say how to install it.
//
// With WEBTEST_LOOK=folder the tests leave a picture of every page there, at
// three widths and as printed, for a person to look at. The package has no code
// but tests and never runs outside them.
package webtest
