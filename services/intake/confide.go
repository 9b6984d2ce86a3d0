package intake

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/harm"
	"fairlead/services/record"
)

// callBack is for how many days somebody who told in confidence may be called
// back when they do not say.
const callBack = 90

const (
	noteOwnSeal = "Your name is kept under the house's own key: no keeper of names is set up here yet. Every safety adviser can open it, and must give a reason each time."
	noteClosed  = "Your name is closed to %d keeper%s of names, and opens only with a passphrase of theirs and a reason."
	noteGoes    = "It is destroyed on %s, unless the law holds it longer."
)

// confide closes who told in confidence to the keepers, and says until when the
// name is kept.
func (s *Service) confide(ctx context.Context, f *filing, days int32) error {
	f.told = f.teller
	if f.teller == nil || f.report.GetTellerMode() != pb.TellerMode_TELLER_MODE_CONFIDENTIAL {
		return nil
	}
	if days == 0 {
		days = callBack
	}
	f.teller = proto.Clone(f.told).(*pb.Teller)
	zone := s.Tree.Location(f.report.GetWorkplace())
	f.teller.EraseDate = harm.DayOf(f.report.GetReceiveTime().AsTime(), zone).In(zone).AddDate(0, 0, int(days)).Format(time.DateOnly)
	if s.Keepers == nil {
		return nil
	}
	closed, err := s.Keepers.Close(ctx, f.teller)
	if err != nil {
		return err
	}
	f.teller = closed
	return nil
}

// unlinked is a filing as its replays are told by: without what is not kept, or
// not kept open. The fingerprint of a request is stored as it is; whoever knows
// the rest of a report could otherwise try names, and minutes, until it fits.
func unlinked(f *filing, req *pb.FileReportRequest) *pb.FileReportRequest {
	mode := f.report.GetTellerMode()
	if mode == pb.TellerMode_TELLER_MODE_NAMED {
		return req
	}
	out := proto.Clone(req).(*pb.FileReportRequest)
	out.Teller = nil
	if mode == pb.TellerMode_TELLER_MODE_ANONYMOUS {
		out.Report.MadeTime, out.Report.TellerRole = nil, 0
		delete(out.Report.Answers, "teller_role")
	}
	return out
}

// told adds to the notes what is kept of a name told in confidence.
func told(list []string, r *pb.Report, t *pb.Teller) []string {
	if r.GetTellerMode() != pb.TellerMode_TELLER_MODE_CONFIDENTIAL || t == nil {
		return list
	}
	words := noteOwnSeal
	if n := len(t.GetKeepers()); n > 0 {
		words = fmt.Sprintf(noteClosed, n, map[bool]string{false: "s"}[n == 1])
	}
	if t.GetEraseDate() != "" {
		words += " " + fmt.Sprintf(noteGoes, t.GetEraseDate())
	}
	return append(list, words)
}

// firstTeller is who told as it was first stored, or as it was closed or shared
// since; nil when there is none, or nothing is left of it.
func (s *Service) firstTeller(ctx context.Context, r *pb.Report) *pb.Teller {
	changes, err := s.Ledger.History(ctx, r.GetName()+"/teller")
	if err != nil {
		return nil
	}
	for _, c := range changes {
		if len(c.Body) == 0 {
			continue
		}
		t := &pb.Teller{}
		if c.Verb == record.VerbErase || record.Read(c.Body, c.Revision, t) != nil {
			return nil
		}
		return t
	}
	return nil
}
