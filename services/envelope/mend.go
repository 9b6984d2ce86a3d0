package envelope

import (
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/fault"
)

// note is one way in which a report is stored otherwise than it was told: for
// machines, and in words.
type note struct {
	kind  pb.Mending
	words string
}

// tell writes notes into an answer.
func tell(resp *pb.FileSealedResponse, notes []note) {
	for _, n := range notes {
		resp.Notes = append(resp.Notes, n.words)
		resp.Mendings = append(resp.Mendings, n.kind)
	}
}

// turnOver is what is said when the turn did not last until the report came.
var turnOver = note{pb.Mending_MENDING_TURN_OVER, "The PIN was given on the tablet, but the turn was over when the report came. It is filed by the tablet, with the name that was given."}

// setClock sets the times of a report by the clock of the service, as far as
// they come from the clock of the device.
func setClock(r *pb.Report, ahead int64, countedBack bool) []note {
	if ahead == 0 || r == nil {
		return nil
	}
	off := -time.Duration(ahead) * time.Second
	for _, at := range []struct {
		t    *timestamppb.Timestamp
		from bool
	}{{r.GetMadeTime(), true}, {r.GetOccurTime(), countedBack}, {r.GetOccurEndTime(), countedBack}} {
		if at.t.IsValid() && at.from {
			moved := timestamppb.New(at.t.AsTime().Add(off))
			at.t.Seconds, at.t.Nanos = moved.GetSeconds(), moved.GetNanos()
		}
	}
	return []note{{pb.Mending_MENDING_CLOCK, "The clock of the tablet was wrong; times were set right by the clock of the service."}}
}

// fieldsOf returns the fields that a refusal names.
func fieldsOf(err error) []string {
	if status.Code(err) != codes.InvalidArgument {
		return nil
	}
	var out []string
	for _, d := range status.Convert(err).Details() {
		if bad, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range bad.GetFieldViolations() {
				out = append(out, v.GetField())
			}
		}
	}
	return out
}

// reused reports whether a request was refused because its id was used before.
func reused(err error) bool {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetReason() == fault.ReasonRequestIDReused {
			return true
		}
	}
	return false
}

// before reports whether a report was refused because it came before: by the same
// request, or by another one, as when the turn ended in between.
func before(err error) bool { return reused(err) || status.Code(err) == codes.AlreadyExists }

// mendable are the fields that can be mended.
var mendable = []string{"report.occur_time", "report.made_time", "report.workplace", "receipt_code"}

// mend changes what was refused where that loses no word of the teller, and
// says what it did; nothing is changed when something else is wrong as well.
func mend(req *pb.FileReportRequest, fields []string, root string) (notes []note) {
	r := req.GetReport()
	if r == nil || len(fields) == 0 {
		return nil
	}
	var occur, made, place, code bool // to be mended
	for _, f := range fields {
		switch {
		case strings.HasPrefix(f, "report.occur_"):
			occur = true
		case f == "report.made_time":
			made = true
		case f == "report.workplace" && r.GetWorkplace() != root:
			place = true
		case f == "receipt_code":
			code = true
		default:
			return nil
		}
	}
	if occur {
		r.OccurTime, r.OccurEndTime, r.OccurPrecision = nil, nil, 0
		if r.Answers == nil {
			r.Answers = map[string]pb.AnswerState{}
		}
		r.Answers["occur_time"] = pb.AnswerState_ANSWER_STATE_NOT_KNOWN
		notes = append(notes, note{pb.Mending_MENDING_TIME, "The time of the event could not be right, so it is kept as not known; ask the teller."})
	}
	if made {
		r.MadeTime = nil
	}
	if code {
		req.ReceiptCode = ""
		notes = append(notes, note{pb.Mending_MENDING_RECEIPT_CODE, "The receipt code that the tablet made could not be used: nobody can ask by it what became of this report. The report itself is stored."})
	}
	if place {
		r.Spot = strings.TrimSpace("Chosen on the tablet: " + strings.TrimPrefix(r.GetWorkplace(), "workplaces/") + ". " + r.GetSpot())
		if runes := []rune(r.Spot); len(runes) > 500 {
			// The spot alone may be 500 characters; the rest of it goes in
			// front of what was done, where there is room for it.
			r.DoneRightAway = strings.TrimSpace("Spot: " + string(runes[500:]) + "\n" + r.GetDoneRightAway())
			r.Spot = string(runes[:500])
		}
		r.Workplace = root
		notes = append(notes, note{pb.Mending_MENDING_PLACE, "The place that was chosen takes no reports now; the report stands at the whole organisation, and the place is in its spot."})
	}
	return notes
}
