// Package tablet serves the reporting app for shared tablets: written in
// TypeScript in src, bundled into dist, embedded here, served under /tablet/.
//
// Its step on the way of one report: the first. Somebody with gloves on and no
// coverage says what happened; the app keeps it on the tablet, seals it so that
// the tablet itself cannot read it, and sends it when it can. README.md beside
// this file tells how the app is made and what was measured.
//
// The package is a client like any other: it reaches the services over a
// connection, with the token of the open report form. Its own door,
// /tablet/api/, does two things: it tells a tablet what to keep for the time
// out of reach (the key to seal with, the names of places, the emergency card),
// and it hands on what was sealed.
//
// It never opens a sealed report, never logs one, never sends back a word of
// what was told, and asks nothing of any other site.
package tablet
