// Package ledgertest is the suite that every ledger backend passes, and so the
// meaning of the ledger's contract in code.
//
// It sits beside the first step of every write: what it does not check, no
// service may rely on. It opens backends only through a [Factory] and never
// knows how one stores anything; only the backend's own Damage does.
package ledgertest
