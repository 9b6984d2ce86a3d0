package api_test

import (
	"context"
	"fmt"

	"fairlead/clients/api"
	pb "fairlead/proto/gen/fairlead/v1"
)

// A program that files a report. The request id that the client mints stays in
// the request, so that sending it again is safe.
func ExampleDial() {
	c, err := api.Dial(api.Config{Address: "localhost:9090", Token: "from a file or the environment"}, api.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer c.Close()
	_, err = c.Reports.FileReport(context.Background(), &pb.FileReportRequest{Report: &pb.Report{
		Kind: pb.ReportKind_REPORT_KIND_NEAR_MISS, Workplace: "workplaces/northside",
		Narrative: "The chipper started while the hood was open."}})
	if p, ok := api.ProblemOf(err); ok {
		for _, line := range p.Lines() {
			fmt.Println(line)
		}
	}
}
