package main

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "fairlead/proto/gen/fairlead/v1"
)

// generator makes reports with a vocabulary whose words follow Zipf's law, as
// natural text does, over ten years and sixty workplaces.
type generator struct {
	r     *rand.Rand
	zipf  *rand.Zipf
	words []string
}

const (
	vocabulary = 20_000
	places     = 60
	years      = 10
)

var mechanisms = []string{"01", "02", "03", "11", "12", "21", "24", "25", "26", "28", "41", "42", "51", "53", "63", "92"}

func newGenerator(seed uint64) *generator {
	r := rand.New(rand.NewPCG(seed, 1))
	g := &generator{r: r, zipf: rand.NewZipf(r, 1.07, 4, vocabulary-1)}
	consonants, vowels := "bcdfghklmnprstvw", "aeiou"
	for i := range vocabulary {
		var b strings.Builder
		for x := i + 7; x > 0; x /= 80 {
			b.WriteByte(consonants[x%16])
			b.WriteByte(vowels[x/16%5])
		}
		g.words = append(g.words, b.String()+"n")
	}
	return g
}

func (g *generator) narrative() string {
	var b strings.Builder
	for i := range 40 + g.r.IntN(40) {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(g.words[g.zipf.Uint64()])
	}
	return b.String()
}

func placeName(i int) string { return fmt.Sprintf("workplaces/place-%02d", i) }

// report makes the i-th report.
func (g *generator) report() *pb.Report {
	at := time.Date(2016, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(g.r.Int64N(int64(years) * 365 * 24 * int64(time.Hour))))
	r := &pb.Report{
		Name: "reports/" + uuid.NewString(), Kind: pb.ReportKind(1 + g.r.IntN(5)), Workplace: placeName(g.r.IntN(places)),
		Narrative: g.narrative(), OccurTime: timestamppb.New(at), OccurPrecision: pb.TimePrecision_TIME_PRECISION_ABOUT,
		TellerMode: pb.TellerMode_TELLER_MODE_CONFIDENTIAL, State: pb.ReportState_REPORT_STATE_RECEIVED,
		ReceiveTime: timestamppb.New(at.Add(time.Hour)), Potential: pb.PotentialSeverity(1 + g.r.IntN(4)),
	}
	if r.Kind == pb.ReportKind_REPORT_KIND_INJURY_OR_ILLNESS {
		r.Harms = []*pb.Harm{{HarmId: "h1", EmploymentGroup: pb.EmploymentGroup(1 + g.r.IntN(3)), Outcome: pb.OutcomeClass(2 + g.r.IntN(5)),
			OutcomeHistory: []*pb.OutcomeChange{{Outcome: pb.OutcomeClass(2 + g.r.IntN(5))}}}}
		r.Harms[0].OutcomeHistory[0].Outcome = r.Harms[0].Outcome
	}
	return r
}

func (g *generator) coding(r *pb.Report) *pb.Coding {
	c := &pb.Coding{Edition: "TOOCS 3.1", Mechanism: mechanisms[g.r.IntN(len(mechanisms))]}
	if len(r.Harms) > 0 {
		c.HarmId = "h1"
	}
	return c
}
