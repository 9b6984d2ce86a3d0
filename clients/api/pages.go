package api

import (
	"context"
	"errors"
	"io"
	"iter"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
)

// pages walks a paged list. It stops after the first error, which is the last
// pair.
func pages[Row any](fetch func(token string) (rows []Row, next string, err error)) iter.Seq2[Row, error] {
	return func(yield func(Row, error) bool) {
		var none Row
		for token := ""; ; {
			rows, next, err := fetch(token)
			if err != nil {
				yield(none, err)
				return
			}
			for _, r := range rows {
				if !yield(r, nil) {
					return
				}
			}
			if next == "" {
				return
			}
			if next == token {
				yield(none, errors.New("api: the service answers with the page token it was asked with; stopping"))
				return
			}
			token = next
		}
	}
}

// ListReports walks all reports of a request, newest event first.
func (c *Client) ListReports(ctx context.Context, req *pb.ListReportsRequest) iter.Seq2[*pb.Report, error] {
	req = proto.Clone(req).(*pb.ListReportsRequest)
	return pages(func(token string) ([]*pb.Report, string, error) {
		req.PageToken = token
		r, err := c.Reports.ListReports(ctx, req)
		return r.GetReports(), r.GetNextPageToken(), err
	})
}

// ListHours walks all hours of a request, by workplace and month.
func (c *Client) ListHours(ctx context.Context, req *pb.ListHoursRequest) iter.Seq2[*pb.Hours, error] {
	req = proto.Clone(req).(*pb.ListHoursRequest)
	return pages(func(token string) ([]*pb.Hours, string, error) {
		req.PageToken = token
		r, err := c.Hours.ListHours(ctx, req)
		return r.GetHours(), r.GetNextPageToken(), err
	})
}

// ListWorkplaces walks all workplaces, by name.
func (c *Client) ListWorkplaces(ctx context.Context) iter.Seq2[*pb.Workplace, error] {
	return pages(func(token string) ([]*pb.Workplace, string, error) {
		r, err := c.Workplaces.ListWorkplaces(ctx, &pb.ListWorkplacesRequest{PageToken: token})
		return r.GetWorkplaces(), r.GetNextPageToken(), err
	})
}

// ListPeople walks all people of a request, by name.
func (c *Client) ListPeople(ctx context.Context, req *pb.ListPeopleRequest) iter.Seq2[*pb.Person, error] {
	req = proto.Clone(req).(*pb.ListPeopleRequest)
	return pages(func(token string) ([]*pb.Person, string, error) {
		req.PageToken = token
		r, err := c.Workplaces.ListPeople(ctx, req)
		return r.GetPeople(), r.GetNextPageToken(), err
	})
}

// SearchReports walks all hits of a search, and with them the answer of the
// page they stand on: notes, counts, total.
func (c *Client) SearchReports(ctx context.Context, req *pb.SearchReportsRequest) iter.Seq2[Hit, error] {
	req = proto.Clone(req).(*pb.SearchReportsRequest)
	return pages(func(token string) ([]Hit, string, error) {
		req.PageToken = token
		r, err := c.Search.SearchReports(ctx, req)
		hits := make([]Hit, len(r.GetHits()))
		for i, h := range r.GetHits() {
			hits[i] = Hit{SearchHit: h, Page: r}
		}
		return hits, r.GetNextPageToken(), err
	})
}

// Hit is one hit with the page it stands on.
type Hit struct {
	*pb.SearchHit
	Page *pb.SearchReportsResponse
}

// ListChanges walks the log after a sequence number to its present end.
func (c *Client) ListChanges(ctx context.Context, after int64) iter.Seq2[*pb.Change, error] {
	return func(yield func(*pb.Change, error) bool) {
		for {
			r, err := c.Changes.ListChanges(ctx, &pb.ListChangesRequest{AfterSequenceNumber: after, PageSize: 1000})
			if err != nil {
				yield(nil, err)
				return
			}
			for _, ch := range r.GetChanges() {
				if !yield(ch, nil) {
					return
				}
				after = ch.GetSequenceNumber()
			}
			if len(r.GetChanges()) == 0 || after >= r.GetHead().GetSequenceNumber() {
				return
			}
		}
	}
}

// WatchChanges walks the log after a sequence number and waits for more, until
// ctx ends. A lost connection is taken up again where it broke.
func (c *Client) WatchChanges(ctx context.Context, after int64) iter.Seq2[*pb.Change, error] {
	return func(yield func(*pb.Change, error) bool) {
		wait := firstWait
		for {
			s, err := c.Changes.WatchChanges(ctx, &pb.WatchChangesRequest{AfterSequenceNumber: after})
			for err == nil {
				var ch *pb.Change
				if ch, err = s.Recv(); err == nil {
					after, wait = ch.GetSequenceNumber(), firstWait
					if !yield(ch, nil) {
						return
					}
				}
			}
			if ctx.Err() != nil {
				return
			}
			st, _ := status.FromError(err)
			// A stream that ends without a word was ended by a service
			// that is going down.
			if st.Code() != codes.Unavailable && !errors.Is(err, io.EOF) {
				yield(nil, err)
				return
			}
			if asked, _ := retryDelay(st); asked > 0 {
				wait = min(asked, mostAsked)
			}
			if c.o.Sleep(ctx, wait) != nil {
				return
			}
			wait = min(2*wait, mostWait)
		}
	}
}
