// Fairlead is the command line of the service: report, find and learn from
// incidents, hazards and near misses. See package fairlead/clients/cli.
package main

import (
	"os"
	_ "time/tzdata" // days are counted in the zone of a workplace, also where the machine knows no zones

	"fairlead/clients/cli"
)

func main() { os.Exit(cli.Main()) }
