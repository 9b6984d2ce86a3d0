package sqlite

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fairlead/services/ledger"
)

// rowBytes is the size of a body as stack measurements elsewhere assume it: a
// near miss told in four or five sentences.
const rowBytes = 900

// row is one write as intake makes it: a name, a request id, a body.
type row struct {
	name, request string
	body          []byte
}

var serial atomic.Int64

func newRow() row {
	n := serial.Add(1)
	r := row{name: fmt.Sprintf("reports/0190a000-%012x", n), request: fmt.Sprintf("0190b000-%012x", n), body: make([]byte, rowBytes)}
	for i := range r.body {
		r.body[i] = byte(int64(i) * n)
	}
	return r
}

// file writes a row through the ledger.
func file(s *Store, r row) error {
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

// rawGrouped inserts the same rows into the same tables with the same driver
// and settings, and nothing else: no savepoints, no checks, no chain. One
// goroutine drains a channel and commits what was waiting.
type rawGrouped struct {
	queue chan rawRow
	done  chan struct{}
}

type rawRow struct {
	row
	back chan error
}

func openRaw(tb testing.TB, dir string) *rawGrouped {
	require.NoError(tb, setUp())
	path := filepath.Join(dir, "raw.db")
	require.NoError(tb, createPrivate(path))
	db, err := sql.Open(driverName, writerDSN(path))
	require.NoError(tb, err)
	db.SetMaxOpenConns(1)
	require.NoError(tb, migrate(tb.Context(), db))
	conn, err := db.Conn(tb.Context())
	require.NoError(tb, err)
	require.NoError(tb, checkPragmas(tb.Context(), conn))
	prepared := func(text string) *sql.Stmt {
		stmt, err := conn.PrepareContext(tb.Context(), text)
		require.NoError(tb, err)
		return stmt
	}
	begin, commit := prepared("BEGIN IMMEDIATE"), prepared("COMMIT")
	add := prepared("INSERT INTO resources (name, kind, revision, seq) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING")
	appendChange := prepared(`INSERT INTO changes (seq, time, actor, verb, name, kind, revision, request_id, hash, salt, seal, body)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 0, ?)`)
	remember := prepared("INSERT INTO requests (actor, id, fingerprint, first_seq, seq, answer) VALUES (?, ?, ?, ?, ?, ?)")
	g := &rawGrouped{queue: make(chan rawRow, 1024), done: make(chan struct{})}
	go func() {
		defer close(g.done)
		defer db.Close()
		defer conn.Close()
		for _, stmt := range []*sql.Stmt{begin, commit, add, appendChange, remember} {
			defer stmt.Close()
		}
		seq := int64(0)
		hash := make([]byte, 32)
		insert := func(r rawRow) error {
			seq++
			if _, err := appendChange.Exec(seq, seq, "devices/tablet-1", "file", r.name, "Report", 1, r.request, hash, hash, r.body); err != nil {
				return err
			}
			if _, err := add.Exec(r.name, "Report", 1, seq); err != nil {
				return err
			}
			_, err := remember.Exec("devices/tablet-1", r.request, hash, seq, seq, []byte(r.name))
			return err
		}
		for first := range g.queue {
			batch := []rawRow{first}
		gather:
			for len(batch) < 256 {
				select {
				case next, open := <-g.queue:
					if !open {
						break gather
					}
					batch = append(batch, next)
				default:
					break gather
				}
			}
			_, err := begin.Exec()
			for _, r := range batch {
				if err == nil {
					err = insert(r)
				}
			}
			if err == nil {
				_, err = commit.Exec()
			}
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
// travel between machines.
//
//	go test ./services/ledger/sqlite -run '^$' -bench BesideRaw -benchtime 20x
func BenchmarkBesideRaw(b *testing.B) {
	s := openStore(b, filepath.Join(b.TempDir(), "ledger"), Options{})
	raw := openRaw(b, b.TempDir())
	defer func() { close(raw.queue); <-raw.done }()
	plain, err := os.Create(filepath.Join(b.TempDir(), "append"))
	require.NoError(b, err)
	defer plain.Close()
	block := make([]byte, 4096)
	contenders := []struct {
		name    string
		writers int
		file    func() error
	}{
		{"ledger-1", 1, func() error { return file(s, newRow()) }},
		{"raw-1", 1, func() error { return raw.file(newRow()) }},
		{"sync-1", 1, func() error {
			if _, err := plain.Write(block); err != nil {
				return err
			}
			return dataSync(plain)
		}},
		{"ledger-64", 64, func() error { return file(s, newRow()) }},
		{"raw-64", 64, func() error { return raw.file(newRow()) }},
	}
	seen := map[string][]float64{}
	for b.Loop() {
		now := map[string]float64{}
		for _, c := range contenders {
			perSecond, p99, err := rate(c.writers, 250*time.Millisecond, c.file)
			require.NoError(b, err)
			now[c.name] = perSecond
			seen[c.name+"/s"] = append(seen[c.name+"/s"], perSecond)
			if c.writers > 1 {
				name := c.name + "-p99-ms"
				seen[name] = append(seen[name], float64(p99.Microseconds())/1000)
			}
		}
		for _, r := range [][2]string{{"ledger-1", "raw-1"}, {"ledger-1", "sync-1"}, {"ledger-64", "raw-64"}, {"ledger-64", "ledger-1"}} {
			name := r[0] + "/" + r[1]
			seen[name] = append(seen[name], now[r[0]]/now[r[1]])
		}
	}
	for name, values := range seen {
		slices.Sort(values)
		b.ReportMetric(values[len(values)/2], name)
	}
	b.ReportMetric(0, "ns/op")
	requireSound(b, s)
}

// BenchmarkLayout measures what it costs and saves to keep a body once, in the
// log, instead of a second time beside the resource.
func BenchmarkLayout(b *testing.B) {
	const rows = 20_000
	s := openStore(b, b.TempDir(), Options{})
	var names []string
	for len(names) < rows {
		_, err := s.Write(b.Context(), ann, func(ctx context.Context, tx ledger.Tx) error {
			for range 1000 {
				r := newRow()
				names = append(names, r.name)
				if err := put(r.name, string(r.body))(ctx, tx); err != nil {
					return err
				}
			}
			return nil
		})
		require.NoError(b, err)
	}
	size := func() (n float64) {
		require.NoError(b, s.Conn().QueryRowContext(b.Context(), "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size").Scan(&n))
		return n / rows
	}
	once := size()
	_, err := s.Conn().ExecContext(b.Context(), `CREATE TABLE copies (name TEXT NOT NULL PRIMARY KEY, kind TEXT, revision BIGINT, seq BIGINT, body BLOB);
		INSERT INTO copies SELECT name, kind, revision, seq, body FROM changes`)
	require.NoError(b, err)
	twice := size()
	direct, err := s.Readers().Prepare("SELECT name, kind, revision, seq, body FROM copies WHERE name = ?")
	require.NoError(b, err)
	defer direct.Close()
	joined, err := s.Readers().Prepare(`SELECT r.name, r.kind, r.revision, r.seq, c.body FROM resources r
		LEFT JOIN changes c ON c.seq = r.seq LEFT JOIN seals s ON s.id = c.seal WHERE r.name = ?`)
	require.NoError(b, err)
	defer joined.Close()
	for name, stmt := range map[string]*sql.Stmt{"body-once": joined, "body-twice": direct} {
		b.Run(name, func(b *testing.B) {
			for i := 0; b.Loop(); i++ {
				var r ledger.Resource
				require.NoError(b, stmt.QueryRow(names[i*7919%rows]).Scan(&r.Name, &r.Kind, &r.Revision, &r.Seq, &r.Body))
			}
			b.ReportMetric(map[string]float64{"body-once": once, "body-twice": twice}[name], "B/row")
		})
	}
}
