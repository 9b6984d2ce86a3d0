package classify

import (
	"fmt"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/classify/toocs"
)

// notes are what a coder should know beside the codes: where the lists draw
// their lines, where the table is in doubt, and where codes and report meet
// oddly. Pairs of codes are only called odd where a source says so.
func (s *Service) notes(r *pb.Report, c *pb.Coding) []string {
	var out []string
	add := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if c.GetMechanism() != "" {
		// The manual's definition, seen second-hand; see data/toocs31/README.md.
		add("mechanism says what happened to the person, not what object was there")
	}
	for _, f := range facets {
		code := *f.get(c)
		row, ok := s.tables.table.Get(f.table.List(), code)
		if !ok {
			continue
		}
		for _, n := range s.tables.table.Notes(f.table.List(), code) {
			add("%s %s %s: %s", f.table.List().Title(), code, row.Title, n.Text)
		}
		switch row.Confidence {
		case toocs.Memory:
			add("%s %s %s: this entry of the table is from memory; check it in the official list", f.table.List().Title(), code, row.Title)
		case toocs.Conflict:
			add("%s %s %s: the sources of the table do not agree on this entry; check it in the official list", f.table.List().Title(), code, row.Title)
		}
	}
	// Transcription S1 of data/toocs31/README.md: damage to spectacles or an
	// artificial limb alone has bodily location 900.
	if c.GetNature() == "961" && c.GetBodilyLocation() != "" && c.GetBodilyLocation() != "900" {
		add("nature 961 and bodily location %s seldom go together: damage to spectacles or an artificial limb alone has bodily location 900",
			c.GetBodilyLocation())
	}
	switch {
	case c.GetHarmId() == "" && len(r.GetHarms()) > 0:
		add("people were hurt: code each of them by harm_id, because tables of persons hurt count those codes")
	case c.GetHarmId() == "" && nobodyHurt(r):
		add("nobody was hurt: mechanism and breakdown agency stand for what would have done the harm, which is this project's addition to the scheme")
	}
	return out
}
