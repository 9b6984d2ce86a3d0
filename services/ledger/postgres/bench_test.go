package postgres_test

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
	"fairlead/services/ledger/postgres"
	"fairlead/services/ledger/postgres/pgtest"
)

// row is one write as intake makes it: a name, a request id, a body of the size
// of a near miss told in four or five sentences.
type row struct {
	name, request string
	body          []byte
}

var serial atomic.Int64

func newRow() row {
	n := serial.Add(1)
	r := row{name: fmt.Sprintf("reports/0190a000-%012x", n), request: fmt.Sprintf("0190b000-%012x", n), body: make([]byte, 900)}
	for i := range r.body {
		r.body[i] = byte(int64(i) * n)
	}
	return r
}

// file writes a row through the ledger.
func file(s *postgres.Store, r row) error {
	request := ledger.Request{Actor: "devices/tablet-1", ID: r.request, Fingerprint: sha256.Sum256(r.body)}
	_, err := s.Write(context.Background(), request, func(ctx context.Context, tx ledger.Tx) error {
		_, err := tx.Put(ctx, ledger.Put{Name: r.name, Kind: "Report", Verb: "file", Body: r.body})
		tx.SetAnswer([]byte(r.name))
		return err
	})
	return err
}

// rate runs f on n goroutines for a while and returns calls per second and the
// 99th percentile of their durations.
func rate(n int, length time.Duration, f func() error) (float64, time.Duration, error) {
	var mu sync.Mutex
	var all []time.Duration
	var failed error
	var wg sync.WaitGroup
	start := time.Now()
	for range n {
		wg.Go(func() {
			var mine []time.Duration
			for time.Since(start) < length {
				t := time.Now()
				if err := f(); err != nil {
					mu.Lock()
					failed = err
					mu.Unlock()
					return
				}
				mine = append(mine, time.Since(t))
			}
			mu.Lock()
			defer mu.Unlock()
			all = append(all, mine...)
		})
	}
	wg.Wait()
	elapsed := time.Since(start)
	if failed != nil {
		return 0, 0, failed
	}
	slices.Sort(all)
	return float64(len(all)) / elapsed.Seconds(), all[len(all)*99/100], nil
}

var rawInserts = []string{
	`INSERT INTO changes (seq, time, actor, verb, name, kind, revision, request_id, hash, salt, seal, body)
		VALUES ($1, $1, 'devices/tablet-1', 'file', $2, 'Report', 1, $3, $4, $4, 0, $5)`,
	`INSERT INTO resources (name, kind, revision, seq) VALUES ($1, 'Report', 1, $2) ON CONFLICT DO NOTHING`,
	`INSERT INTO requests (actor, id, fingerprint, first_seq, seq, answer) VALUES ('devices/tablet-1', $1, $2, $3, $3, $4)`,
}

// rawGrouped inserts the same rows into the same tables with the same driver,
// and nothing else: no lock, no savepoints, no checks, no chain. One goroutine
// drains a channel and commits what was waiting, statement by statement or, with
// pipelined, all that a batch has to say in one go.
type rawGrouped struct{ queue chan rawRow }

type rawRow struct {
	row
	back chan error
}

func openRaw(b *testing.B, address string, pipelined bool) *rawGrouped {
	b.Helper()
	s, err := postgres.Open(b.Context(), address, postgres.Options{Readers: 1})
	require.NoError(b, err)
	require.NoError(b, s.Close())
	cfg, err := pgx.ParseConfig(address)
	require.NoError(b, err)
	cfg.RuntimeParams["search_path"] = postgres.Schema
	db := stdlib.OpenDB(*cfg)
	b.Cleanup(func() { db.Close() })
	conn, err := db.Conn(b.Context())
	require.NoError(b, err)
	var stmts []*sql.Stmt
	for _, text := range append([]string{"BEGIN", "COMMIT"}, rawInserts...) {
		stmt, err := conn.PrepareContext(b.Context(), text)
		require.NoError(b, err)
		stmts = append(stmts, stmt)
	}
	g := &rawGrouped{queue: make(chan rawRow, 1024)}
	done := make(chan struct{})
	b.Cleanup(func() { close(g.queue); <-done; conn.Close() })
	seq, hash := int64(0), make([]byte, 32)
	args := func(r rawRow) [][]any {
		seq++
		return [][]any{{seq, r.name, r.request, hash, r.body}, {r.name, seq}, {r.request, hash, seq, []byte(r.name)}}
	}
	each := func(batch []rawRow) error {
		if _, err := stmts[0].Exec(); err != nil {
			return err
		}
		for _, r := range batch {
			for i, a := range args(r) {
				if _, err := stmts[2+i].Exec(a...); err != nil {
					return err
				}
			}
		}
		_, err := stmts[1].Exec()
		return err
	}
	atOnce := func(batch []rawRow) error {
		return conn.Raw(func(c any) error {
			p := &pgx.Batch{}
			p.Queue("BEGIN")
			for _, r := range batch {
				for i, a := range args(r) {
					p.Queue(rawInserts[i], a...)
				}
			}
			p.Queue("COMMIT")
			return c.(*stdlib.Conn).Conn().SendBatch(context.Background(), p).Close()
		})
	}
	go func() {
		defer close(done)
		for first := range g.queue {
			batch := []rawRow{first}
			for open := true; open && len(batch) < 256; {
				select {
				case next, more := <-g.queue:
					if open = more; more {
						batch = append(batch, next)
					}
				default:
					open = false
				}
			}
			write := each
			if pipelined {
				write = atOnce
			}
			err := write(batch)
			for _, r := range batch {
				r.back <- err
			}
		}
	}()
	return g
}

func (g *rawGrouped) file(r row) error {
	back := make(chan error, 1)
	g.queue <- rawRow{r, back}
	return <-back
}

// BenchmarkBesideRaw measures the ledger beside what it is made of, in short
// turns within one run, and reports medians and ratios of turns: only ratios
// travel between machines. The database syncs to the disk.
//
//	go test ./services/ledger/postgres -run '^$' -bench BesideRaw -benchtime 20x
func BenchmarkBesideRaw(b *testing.B) {
	server := pgtest.Start(b)
	address := server.Database()
	s, other := openStore(b, address, postgres.Options{}), openStore(b, address, postgres.Options{})
	raw, piped := openRaw(b, server.Database(), false), openRaw(b, server.Database(), true)
	var turn atomic.Int64
	contenders := []struct {
		name    string
		writers int
		file    func() error
	}{
		{"ledger-1", 1, func() error { return file(s, newRow()) }},
		{"raw-1", 1, func() error { return raw.file(newRow()) }},
		{"ledger-64", 64, func() error { return file(s, newRow()) }},
		{"raw-64", 64, func() error { return raw.file(newRow()) }},
		{"piped-64", 64, func() error { return piped.file(newRow()) }},
		{"two-64", 64, func() error {
			if turn.Add(1)%2 == 0 {
				return file(s, newRow())
			}
			return file(other, newRow())
		}},
	}
	seen := map[string][]float64{}
	for b.Loop() {
		now := map[string]float64{}
		for _, c := range contenders {
			perSecond, p99, err := rate(c.writers, 250*time.Millisecond, c.file)
			require.NoError(b, err, c.name)
			now[c.name] = perSecond
			seen[c.name+"/s"] = append(seen[c.name+"/s"], perSecond)
			if c.writers > 1 {
				seen[c.name+"-p99-ms"] = append(seen[c.name+"-p99-ms"], float64(p99.Microseconds())/1000)
			}
		}
		for _, r := range [][2]string{{"ledger-1", "raw-1"}, {"ledger-64", "raw-64"}, {"ledger-64", "piped-64"}, {"two-64", "ledger-64"}} {
			seen[r[0]+"/"+r[1]] = append(seen[r[0]+"/"+r[1]], now[r[0]]/now[r[1]])
		}
	}
	for name, values := range seen {
		slices.Sort(values)
		b.ReportMetric(values[len(values)/2], name)
	}
	b.ReportMetric(0, "ns/op")
	requireSound(b, s)
}
