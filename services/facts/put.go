package facts

import (
	"fmt"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/harm"
)

// locate returns the time zone in force at a workplace.
type locate func(workplace string) *time.Location

func (c *columns) put(d decodedChange, where locate) error {
	if d.erasure {
		c.erasures++
	}
	switch {
	case d.gone:
		c.forget(d.of)
	case d.report != nil:
		return c.putReport(d.of, d.report, where)
	case d.coding != nil:
		return c.putCoding(d.of, d.coding)
	case d.hours != nil:
		c.hours.put(d.hoursName, d.hours)
	}
	return nil
}

// forget takes a report out of every list and figure: the ledger no longer holds
// what it said. Its codings are resources of their own, and are there again for
// a later version of the report that says what remains.
func (c *columns) forget(u id) {
	// A row stays, so that a projection that saw the report and one that never
	// did are the same.
	r := c.row(u)
	if c.flags[r]&known != 0 {
		c.settle()
		c.order.remove(r, c.newer)
	}
	_ = c.putHarms(r, nil) // nobody hurt: nothing that could fail
	c.flags[r] = erased
	c.when[r], c.kind[r], c.potential[r], c.workplace[r], c.dataset[r], c.day[r], c.month[r] = 0, 0, 0, 0, 0, 0, 0
}

// putReport replaces a report's row.
func (c *columns) putReport(u id, m *pb.Report, where locate) error {
	workplace, err := c.workplaceNumber(m.GetWorkplace(), where)
	if err != nil {
		return err
	}
	dataset, err := c.datasets.number(m.GetOrigin().GetDataset())
	if err != nil {
		return err
	}
	r := c.row(u)
	when, flags := instantOf(m)
	if c.flags[r]&known == 0 {
		c.when[r] = when
		c.fresh = append(c.fresh, r)
	} else if c.when[r] != when {
		// Settled rows are found by the key they were settled under.
		c.settle()
		c.order.remove(r, c.newer)
		c.when[r] = when
		c.fresh = append(c.fresh, r)
	}
	c.flags[r] = flags
	c.workplace[r] = workplace
	c.dataset[r] = dataset
	c.kind[r] = small(m.GetKind(), kindCount)
	c.potential[r] = small(m.GetPotential(), potentialCount)
	c.setDay(r)
	return c.putHarms(r, m.GetHarms())
}

// instantOf returns the instant a report is dated by, and its flags.
func instantOf(m *pb.Report) (micros int64, flags uint8) {
	flags = known
	if m.GetState() == pb.ReportState_REPORT_STATE_VOIDED {
		flags |= voided
	}
	if t := m.GetOccurTime(); t != nil {
		return t.AsTime().UnixMicro(), flags
	}
	if m.GetTellerMode() == pb.TellerMode_TELLER_MODE_ANONYMOUS {
		// Only the day was kept, as midnight UTC of the workplace's own day:
		// another time zone would make it the day before.
		flags |= utcDay
	}
	return m.GetReceiveTime().AsTime().UnixMicro(), flags
}

func (c *columns) setDay(r uint32) {
	loc := c.zones[c.workplace[r]]
	if c.flags[r]&utcDay != 0 {
		loc = time.UTC
	}
	day := harm.DayOf(time.UnixMicro(c.when[r]), loc)
	c.day[r] = int32(day)
	c.month[r] = monthOf(day)
}

func (c *columns) putHarms(r uint32, harms []*pb.Harm) error {
	if len(harms) > 255 {
		return fmt.Errorf("facts: a report has %d persons hurt, at most 255 fit", len(harms))
	}
	// Codings outlive the rows they lie in.
	var codes map[uint32]codeSet
	start, n := c.first[r], int(c.people[r])
	if n > 0 {
		codes = make(map[uint32]codeSet, n)
	}
	for h := start; h < start+uint32(n); h++ {
		codes[c.hurt.harm[h]] = c.hurt.codesOf(h)
	}
	if n != len(harms) {
		c.hurt.give(start, n)
		start, n = 0, len(harms)
		if n > 0 {
			start = c.hurt.take(n, r)
		}
		c.first[r], c.people[r] = start, uint8(n)
	}
	c.worst[r], c.outcomes[r], c.groups[r] = 0, 0, 0
	for i, m := range harms {
		harm, err := c.harmIDs.number(m.GetHarmId())
		if err != nil {
			return err
		}
		key := looseCoding{r, harm}
		set, ok := codes[harm]
		if !ok {
			set = c.loose[key]
			delete(c.loose, key)
		}
		delete(codes, harm)
		h := start + uint32(i)
		c.hurt.set(h, harm, m, set)
		if c.hurt.outcome[h] > c.hurt.outcome[start+uint32(c.worst[r])] {
			c.worst[r] = uint8(i)
		}
		c.outcomes[r] |= 1 << c.hurt.outcome[h]
		c.groups[r] |= 1 << c.hurt.group[h]
	}
	for harm, set := range codes {
		if set != (codeSet{}) {
			c.loose[looseCoding{r, harm}] = set
		}
	}
	return nil
}

func (c *columns) putCoding(u id, m *pb.Coding) error {
	set := codeSet{unreviewed: m.GetOrigin() == pb.CodingOrigin_CODING_ORIGIN_CROSSWALK_NOT_REVIEWED}
	for i, text := range [facets]string{
		m.GetNature(), m.GetBodilyLocation(), m.GetMechanism(), m.GetBreakdownAgency(), m.GetAgency()} {
		code, err := c.codeTexts[i].number(text)
		if err != nil {
			return err
		}
		set.of[i] = code
	}
	r := c.row(u)
	if m.GetHarmId() == "" {
		for i, code := range set.of {
			c.codes[i][r] = code
		}
		c.unreviewed[r] = set.unreviewed
		return nil
	}
	harm, err := c.harmIDs.number(m.GetHarmId())
	if err != nil {
		return err
	}
	for h := c.first[r]; h < c.first[r]+uint32(c.people[r]); h++ {
		if c.hurt.harm[h] == harm {
			c.hurt.setCodes(h, set)
			return nil
		}
	}
	c.loose[looseCoding{r, harm}] = set
	return nil
}

// workplaceNumber returns the number of a workplace, and learns its time zone
// when it is new.
func (c *columns) workplaceNumber(name string, where locate) (uint32, error) {
	n, err := c.workplaces.number(name)
	if err != nil {
		return 0, err
	}
	if int(n) == len(c.zones) {
		c.zones = append(c.zones, zone(where, name))
	}
	return n, nil
}

// moveZones counts the days anew of every workplace whose time zone changed.
func (c *columns) moveZones(where locate) {
	moved := make([]bool, len(c.zones))
	some := false
	for n := 1; n < len(c.zones); n++ {
		if loc := zone(where, c.workplaces.text(uint32(n))); loc.String() != c.zones[n].String() {
			c.zones[n], moved[n], some = loc, true, true
		}
	}
	if !some {
		return
	}
	for r, n := range c.workplace {
		if moved[n] {
			c.setDay(uint32(r))
		}
	}
}

func zone(where locate, name string) *time.Location {
	if loc := where(name); loc != nil {
		return loc
	}
	return time.UTC
}

// settle brings what is fresh into its order.
func (c *columns) settle() {
	c.hours.settle()
	if len(c.fresh) > 0 {
		c.order.add(c.fresh, c.newer)
		c.fresh = c.fresh[:0]
	}
}
