package main

import (
	"fmt"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
)

// conventionFlag reads the name of a convention, such as as-1885-1.
type conventionFlag pb.Convention

func (c *conventionFlag) Type() string { return "name" }

func (c *conventionFlag) String() string {
	if *c == 0 {
		return conventionName(pb.Convention_CONVENTION_AS_1885_1)
	}
	return conventionName(pb.Convention(*c))
}

func (c *conventionFlag) Set(name string) error {
	for n := range pb.Convention_name {
		if n != 0 && conventionName(pb.Convention(n)) == name {
			*c = conventionFlag(n)
			return nil
		}
	}
	return fmt.Errorf("%q is not one of the conventions: give %s", name, conventionNames())
}

func conventionName(c pb.Convention) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(c.String(), "CONVENTION_")), "_", "-")
}

// conventionNames lists the names, in the order of the contract.
func conventionNames() string {
	var names []string
	for n := 1; n < len(pb.Convention_name); n++ {
		names = append(names, conventionName(pb.Convention(n)))
	}
	return strings.Join(names[:len(names)-1], ", ") + " or " + names[len(names)-1]
}
