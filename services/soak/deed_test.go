package soak

import (
	"context"
	"fmt"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

// deed is one write that a client wants done. It is sent with the same ids
// until it is answered, however often the server dies meanwhile.
type deed struct {
	what string
	// about is the report concerned, or nil.
	about *paper
	// send sends the same message each time.
	send func(ctx context.Context, conn grpc.ClientConnInterface) (proto.Message, error)
	// learn takes the answer down as what must be so from then on.
	learn func(answer proto.Message) error
	// again compares the answer to a replay with the first one.
	again func(first, now proto.Message) error
	// answer is the first answer, once there is one.
	answer proto.Message
}

// equal is how a write with a request id is answered when it is replayed.
func equal(first, now proto.Message) error {
	if !proto.Equal(first, now) {
		return fmt.Errorf("a replay is answered %v, the first answer was %v", now, first)
	}
	return nil
}

// paper is a report as the client that wrote it knows it.
type paper struct {
	report *pb.Report
	// seqs are the numbers of its acknowledged changes, in order; the first is
	// 0 for an imported one, whose number is not told.
	seqs []int64
	// teller says that who told is kept as well.
	teller bool
	// coding is what it was coded with, or nil.
	coding *pb.Coding
	// absences were recorded, week by week.
	absences int
	source   string
}

func (p *paper) voided() bool { return p.report.GetState() == pb.ReportState_REPORT_STATE_VOIDED }

// took notes the answer to a change of the report.
func (p *paper) took(m proto.Message) error {
	a, ok := m.(*pb.WriteReportResponse)
	if !ok {
		return fmt.Errorf("answered with %T", m)
	}
	if a.GetReport().GetName() != p.report.GetName() || a.GetSequenceNumber() <= p.seqs[len(p.seqs)-1] || a.GetReport().GetEtag() == p.report.GetEtag() {
		return fmt.Errorf("a change of %s after %v is answered with %s at %d", p.report.GetName(), p.seqs, a.GetReport().GetName(), a.GetSequenceNumber())
	}
	p.report = a.GetReport()
	p.seqs = append(p.seqs, a.GetSequenceNumber())
	return nil
}
