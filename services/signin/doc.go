// Package signin is SignInService: it makes sure who somebody is, by password,
// by passkey or by an account at an OpenID Connect provider, and then has a
// session begun.
//
// It stands before the gate: most of its methods are open to strangers, so a
// wrong name is answered as a wrong password is, after the same work, and
// whoever guesses waits longer each time. What it keeps lies sealed in the
// ledger and is erased when it is replaced. What travels through a browser
// between two steps is sealed in a ticket, good once and for minutes, on every
// server of the house. Whoever is suspended or has left never comes in.
//
// It never decides what somebody may do: see services/access. It never writes a
// password, a code or a ticket to a log or an error.
package signin
