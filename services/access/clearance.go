package access

import (
	pb "fairlead/proto/gen/fairlead/v1"
)

// Clearance is how sensitive an answer may be.
type Clearance struct {
	// Level is the highest sensitivity, from 0 to 3; see sensitivity.proto.
	Level int32
	// Identities may be in it: who was hurt, who told, who did what.
	Identities bool
}

// clearances by role. A worker or a committee hears what was told to them and
// figures; a representative reads what happened and not what is wrong with
// whom; an auditor reads all of that and not who it was.
var clearances = map[pb.Role]Clearance{
	worker:         {Level: 1},
	device:         {Level: 1},
	integration:    {Level: 1},
	committee:      {Level: 1},
	officer:        {Level: 1},
	representative: {Level: 1},
	administrator:  {Level: 1, Identities: true},
	auditor:        {Level: 2},
	supervisor:     {Level: 2, Identities: true},
	investigator:   {Level: 2, Identities: true},
	adviser:        {Level: 2, Identities: true},
}

// whole are the methods whose answers may hold everything, whoever gets them.
var whole = map[string]string{
	"ReportService.FileReport":   "what the caller sent a moment ago comes back",
	"ReportService.GetTeller":    "the one door to who told; the room decides on each and writes it down",
	"ReceiptService.GetProgress": "whoever has the code told it",
	"ReceiptService.AddMessage":  "whoever has the code told it",
	"DeviceService.ListWorkers":  "names of those who agreed to be offered at this tablet",
}

// ClearanceOf is what an answer of a method to who may hold. who is the caller
// as [Policy.Admit] returned them: with the roles alone that let them call it.
func ClearanceOf(who Principal, method string) Clearance {
	if _, ok := whole[method]; ok {
		return Clearance{Level: 3, Identities: true}
	}
	c := Clearance{}
	if who.Name == "" {
		c.Level = 1 // a code was asked for, and given
	}
	for _, r := range who.Roles {
		of := clearances[r]
		c.Level, c.Identities = max(c.Level, of.Level), c.Identities || of.Identities
	}
	return c
}
