package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/server"
)

const token = "bench"

// benchFiling lets many devices file through the real gRPC door, durably, and
// the same rows go into raw tables of the same engine in shared commits.
func benchFiling(ctx context.Context, dir, database string, writers int, span time.Duration) ([]row, error) {
	d := access.NewDirectory()
	if err := d.AddWithToken(access.Principal{Name: "principals/bench", Roles: []pb.Role{pb.Role_ROLE_ADVISER, pb.Role_ROLE_ADMINISTRATOR}}, token); err != nil {
		return nil, err
	}
	s, err := server.Open(ctx, server.Config{Data: dir, Database: database, GRPC: "localhost:0", Directory: d})
	if err != nil {
		return nil, err
	}
	serveCtx, stop := context.WithCancel(ctx)
	served := make(chan error, 1)
	go func() { served <- s.Serve(serveCtx) }()
	conn, err := grpc.NewClient("passthrough:///"+s.GRPCAddr(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		stop()
		return nil, err
	}
	defer conn.Close()
	call := metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
	if _, err := pb.NewWorkplaceServiceClient(conn).CreateWorkplace(call, &pb.CreateWorkplaceRequest{Workplace: &pb.Workplace{
		Name: placeName(0), Title: "Bench", Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_ORGANISATION, TimeZone: "UTC"}}); err != nil {
		stop()
		return nil, err
	}
	took, last, err := fileFor(call, conn, writers, span)
	if err != nil {
		stop()
		return nil, err
	}
	// How long until the last answer is findable and counted.
	begun := time.Now()
	err = s.Ready(ctx, last)
	behind := time.Since(begun)
	stop()
	if served := <-served; err == nil {
		err = served
	}
	if err != nil {
		return nil, err
	}
	raw, err := rawFiling(ctx, filepath.Join(dir, "raw"), database, writers, span)
	if err != nil {
		return nil, err
	}
	ours := float64(len(took)) / span.Seconds()
	slices.Sort(took)
	return []row{{
		what:     fmt.Sprintf("durable filing by gRPC, %d devices", writers),
		ours:     fmt.Sprintf("%.0f/s, p50 %s p99 %s", ours, ms(at(took, 0.5)), ms(at(took, 0.99))),
		baseline: fmt.Sprintf("%.0f/s raw rows, grouped", raw),
		ratio:    fmt.Sprintf("%.2f", ours/raw), target: ">= 0.5, p99 < 50 ms",
	}, {
		what: "from last answer to findable and counted", ours: behind.Round(time.Millisecond).String(), target: "< 1 s",
	}}, nil
}

func fileFor(ctx context.Context, conn *grpc.ClientConn, writers int, span time.Duration) ([]time.Duration, int64, error) {
	client := pb.NewReportServiceClient(conn)
	var mu sync.Mutex
	var all []time.Duration
	var last int64
	var failed error
	var wg sync.WaitGroup
	end := time.Now().Add(span)
	for w := range writers {
		wg.Go(func() {
			g := newGenerator(uint64(w))
			var mine []time.Duration
			var seq int64
			for time.Now().Before(end) {
				r := g.report()
				r.Workplace, r.State, r.ReceiveTime = placeName(0), 0, nil
				for _, h := range r.Harms {
					h.Outcome = 0
				}
				begun := time.Now()
				resp, err := client.FileReport(ctx, &pb.FileReportRequest{Report: r, RequestId: uuid.NewString()})
				if err != nil {
					mu.Lock()
					failed = err
					mu.Unlock()
					return
				}
				mine = append(mine, time.Since(begun))
				seq = resp.GetSequenceNumber()
			}
			mu.Lock()
			all, last = append(all, mine...), max(last, seq)
			mu.Unlock()
		})
	}
	wg.Wait()
	return all, last, failed
}

// rawFiling inserts the same rows (a report, a change and a request id) into
// plain tables of the same engine and driver, as durably (SQLite: WAL and
// synchronous FULL), all waiting writers in one commit.
func rawFiling(ctx context.Context, dir, database string, writers int, span time.Duration) (float64, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return 0, err
	}
	db, engine, err := openRaw(filepath.Join(dir, "raw.db"), database)
	if err != nil {
		return 0, err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if _, err := db.ExecContext(ctx, engine.filing); err != nil {
		return 0, err
	}
	type job struct {
		name, id string
		body     []byte
		done     chan error
	}
	jobs := make(chan job, writers)
	var wg sync.WaitGroup
	end := time.Now().Add(span)
	var count sync.Mutex
	total := 0
	for w := range writers {
		wg.Go(func() {
			g := newGenerator(uint64(w))
			done := make(chan error, 1)
			n := 0
			for time.Now().Before(end) {
				r := g.report()
				body, _ := proto.Marshal(r)
				jobs <- job{r.Name, uuid.NewString(), body, done}
				if <-done != nil {
					break
				}
				n++
			}
			count.Lock()
			total += n
			count.Unlock()
		})
	}
	go func() { wg.Wait(); close(jobs) }()
	hash := make([]byte, 32)
	for j := range jobs {
		batch := []job{j}
	more:
		for len(batch) < 256 {
			select {
			case k, ok := <-jobs:
				if !ok {
					break more
				}
				batch = append(batch, k)
			default:
				break more
			}
		}
		tx, err := db.BeginTx(ctx, nil)
		if err != nil {
			return 0, err
		}
		for _, k := range batch {
			if _, err = tx.Exec(engine.text("INSERT INTO raw_resource VALUES(?,?)"), k.name, k.body); err == nil {
				_, err = tx.Exec(engine.text("INSERT INTO raw_change(name,body,hash) VALUES(?,?,?)"), k.name, k.body, hash)
			}
			if err == nil {
				_, err = tx.Exec(engine.text("INSERT INTO raw_request VALUES(?,1)"), k.id)
			}
			if err != nil {
				return 0, err
			}
		}
		err = tx.Commit()
		for _, k := range batch {
			k.done <- err
		}
	}
	return float64(total) / span.Seconds(), nil
}

func ms(d time.Duration) string { return fmt.Sprintf("%.1f ms", float64(d.Microseconds())/1000) }

// at is the value at a share of a sorted list.
func at(sorted []time.Duration, share float64) time.Duration {
	if len(sorted) == 0 {
		return 0
	}
	return sorted[min(int(share*float64(len(sorted))), len(sorted)-1)]
}
