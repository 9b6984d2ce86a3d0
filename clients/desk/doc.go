// Package desk is the pages for people at a desk or a phone: the adviser, the
// supervisor, the safety committee, and whoever reports something without a
// tablet at hand.
//
// It is a client like any other: it reaches the services over a connection
// that may be in process, with the token of whoever signed in, and so sees what
// that person may see and no more. Pages are plain HTML with SVG charts; every
// one of them works without script. Navigation is by work: what needs me, what
// happened, what the numbers say, look something up, set things up.
//
// The package keeps no report and no name between requests; a session holds a
// token and nothing else. It never puts a narrative or a name into a URL.
package desk
