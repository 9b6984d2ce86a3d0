// Package proof holds the tablet's app to its promises in a real browser on a
// real server: nothing is lost, nothing doubled, the next person finds nothing,
// every target can be hit with a glove on, every screen can be read and reached
// by keyboard, in every language that the app speaks.
//
// The browser is Debian's Chromium, driven over its debugging protocol; when it
// is missing the tests fail and say how to install it. With TABLET_LOOK=folder
// they leave a picture of every screen there for a person to look at. The
// package has no code but tests and never runs outside them.
package proof
