package facts

import (
	"encoding/hex"
	"fmt"
	"strings"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/ledger"
	"fairlead/services/record"
)

// id is the UUID of a report.
type id [16]byte

// decodedChange is what a change of the log says to the columns. At most one
// of gone, report, coding and hours is set; none when the change is of no
// concern.
type decodedChange struct {
	of id
	// gone says that the ledger no longer holds what the report said.
	gone      bool
	report    *pb.Report
	coding    *pb.Coding
	hours     *pb.Hours
	hoursName string
	workplace bool
	// erasure says that something was erased for good.
	erasure bool
}

func decode(ch ledger.Change) (d decodedChange, err error) {
	d.erasure = ch.Verb == record.VerbErase
	switch {
	case len(ch.Body) > 0:
	case ch.Kind == record.KindReport:
		d.gone = true
	case ch.Kind == record.KindCoding, ch.Kind == record.KindHours:
		// What is no longer held says nothing.
		return d, nil
	}
	switch ch.Kind {
	case record.KindReport:
		if d.gone {
			break
		}
		d.report = &pb.Report{}
		err = record.Read(ch.Body, ch.Revision, d.report)
	case record.KindCoding:
		d.coding = &pb.Coding{}
		err = record.Read(ch.Body, ch.Revision, d.coding)
	case record.KindHours:
		d.hours, d.hoursName = &pb.Hours{}, ch.Name
		err = record.Read(ch.Body, ch.Revision, d.hours)
	case record.KindWorkplace:
		d.workplace = true
	}
	if err != nil {
		return d, fmt.Errorf("facts: change %d: %w", ch.Seq, err)
	}
	if d.gone || d.report != nil || d.coding != nil {
		var ok bool
		if d.of, ok = reportID(ch.Name); !ok {
			return d, fmt.Errorf("facts: change %d: the name is not that of a report", ch.Seq)
		}
	}
	return d, nil
}

// reportID reads the UUID in `reports/{uuid}` or in a name below it.
func reportID(name string) (u id, ok bool) {
	report, ok := record.ReportOf(name)
	if !ok {
		return u, false
	}
	text := strings.TrimPrefix(report, "reports/")
	if len(text) != 36 || text[8] != '-' || text[13] != '-' || text[18] != '-' || text[23] != '-' {
		return u, false
	}
	var digits [32]byte
	n := 0
	for i := range len(text) {
		if i == 8 || i == 13 || i == 18 || i == 23 {
			continue
		}
		digits[n] = text[i]
		n++
	}
	_, err := hex.Decode(u[:], digits[:])
	return u, err == nil
}

// name returns the resource name of a report.
func (u id) name() string {
	var b [44]byte
	copy(b[:], "reports/")
	hex.Encode(b[8:], u[:4])
	b[16] = '-'
	hex.Encode(b[17:], u[4:6])
	b[21] = '-'
	hex.Encode(b[22:], u[6:8])
	b[26] = '-'
	hex.Encode(b[27:], u[8:10])
	b[31] = '-'
	hex.Encode(b[32:], u[10:])
	return string(b[:])
}
