package server

import "fairlead/services/access"

// named are all who may come in: those kept in the ledger and those of the
// access file.
type named struct {
	registry  *access.Registry
	directory *access.Directory
}

// Active returns somebody who may come in, with their roles.
func (n named) Active(name string) (access.Principal, bool) {
	if who, ok := n.registry.Active(name); ok {
		return who, true
	}
	return n.directory.Active(name)
}
