package main

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"time"

	pb "fairlead/proto/gen/fairlead/v1"
	"fairlead/services/access"
	"fairlead/services/classify"
	"fairlead/services/classify/toocs"
	"fairlead/services/facts"
	"fairlead/services/ledger"
	"fairlead/services/paging"
	"fairlead/services/record"
	"fairlead/services/search"
	"fairlead/services/workplace"
)

// benchReading writes n reports with codings into a ledger, rebuilds the
// projections from it, and asks them and SQL the same questions.
func benchReading(ctx context.Context, dir, database string, n int) ([]row, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	if err := empty(ctx, database); err != nil {
		return nil, err
	}
	l, err := openLedger(ctx, dir, database)
	if err != nil {
		return nil, err
	}
	defer l.Close()
	base, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "baseline.db")+"?_pragma=journal_mode(WAL)")
	if err != nil {
		return nil, err
	}
	defer base.Close()
	base.SetMaxOpenConns(1)
	plain, engine, err := openRaw(filepath.Join(dir, "plain.db"), database)
	if err != nil {
		return nil, err
	}
	defer plain.Close()
	plain.SetMaxOpenConns(1)
	if _, err := plain.ExecContext(ctx, engine.importing); err != nil {
		return nil, err
	}
	words, wrote, rawWrote, plainWrote, err := fill(ctx, l, base, plain, engine, n)
	if err != nil {
		return nil, err
	}
	rows := []row{{what: fmt.Sprintf("import of %d reports with codes", n), ours: fmt.Sprintf("%.0f/s into the ledger", float64(n)/wrote.Seconds()),
		baseline: fmt.Sprintf("%.0f/s raw rows and FTS5", float64(n)/rawWrote.Seconds()), ratio: fmt.Sprintf("%.2f", rawWrote.Seconds()/wrote.Seconds())},
		{what: "the same beside plain rows", ours: fmt.Sprintf("%.0f changes/s", 2*float64(n)/wrote.Seconds()),
			baseline: fmt.Sprintf("%.0f rows/s, same engine", 2*float64(n)/plainWrote.Seconds()), ratio: fmt.Sprintf("%.2f", plainWrote.Seconds()/wrote.Seconds())}}

	tree := workplace.NewTree(l, time.Now)
	if err := tree.CatchUp(ctx); err != nil {
		return nil, err
	}
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	figures := facts.New(l, tree, classify.NewTables(toocs.Default()))
	begun := time.Now()
	if err := figures.CatchUp(ctx); err != nil {
		return nil, err
	}
	factsTook := time.Since(begun)
	runtime.GC()
	runtime.ReadMemStats(&after)
	rows = append(rows, row{what: "start: figures rebuilt from the log", ours: factsTook.Round(time.Millisecond).String(),
		baseline: fmt.Sprintf("%.0f bytes of heap a report", float64(after.HeapAlloc-before.HeapAlloc)/float64(n)), target: "1,000,000 in < 5 s"})

	then, err := benchThen(ctx, l, factsTook, n)
	if err != nil {
		return nil, err
	}
	rows = append(rows, then)

	index, err := search.Open(filepath.Join(dir, "search"), l, tree, search.Options{})
	if err != nil {
		return nil, err
	}
	defer index.Close()
	begun = time.Now()
	if err := index.CatchUp(ctx); err != nil {
		return nil, err
	}
	rows = append(rows, row{what: "search index rebuilt from the log", ours: fmt.Sprintf("%.0f/s", float64(n)/time.Since(begun).Seconds())})

	found, err := benchSearch(ctx, search.New(index, tree, figures, paging.New(make([]byte, 32))), base, words)
	if err != nil {
		return nil, err
	}
	rows = append(rows, found)
	tables, err := benchTables(ctx, figures, base)
	return append(rows, tables...), err
}

// fill writes the world into the ledger, into plain tables with FTS5, and as bare
// rows into a table of the engine that is measured.
func fill(ctx context.Context, l ledger.Ledger, base, plain *sql.DB, engine rawEngine, n int) (words []string, wrote, rawWrote, plainWrote time.Duration, err error) {
	actor := ledger.Request{Actor: "principals/bench", Time: time.Now()}
	_, err = l.Write(ctx, actor, func(ctx context.Context, tx ledger.Tx) error {
		all := []*pb.Workplace{{Name: "workplaces/all", Title: "All", Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_ORGANISATION, TimeZone: "UTC"}}
		for i := range places {
			all = append(all, &pb.Workplace{Name: placeName(i), Parent: "workplaces/all", Title: fmt.Sprint("Place ", i), Level: pb.WorkplaceLevel_WORKPLACE_LEVEL_SITE})
		}
		for _, w := range all {
			p, err := record.Put(w, w.Name, record.KindWorkplace, record.VerbCreate, 0)
			if err != nil {
				return err
			}
			if _, err := tx.Put(ctx, p); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, 0, 0, 0, err
	}
	if _, err := base.ExecContext(ctx, `CREATE TABLE report(id INTEGER PRIMARY KEY, name TEXT, kind INT, place INT, year INT, month INT, mechanism TEXT, outcome INT, body BLOB);
		CREATE INDEX by_place ON report(place, year);
		CREATE VIRTUAL TABLE told USING fts5(narrative, content='', tokenize='porter unicode61');`); err != nil {
		return nil, 0, 0, 0, err
	}
	g := newGenerator(42)
	words = append(words, g.words[200:260]...)
	const batch = 500
	for from := 0; from < n; from += batch {
		var puts []ledger.Put
		var reports []*pb.Report
		var codings []*pb.Coding
		for range min(batch, n-from) {
			r := g.report()
			c := g.coding(r)
			rp, err := record.Put(r, r.Name, record.KindReport, record.VerbImport, 0)
			if err != nil {
				return nil, 0, 0, 0, err
			}
			id := "report"
			if c.HarmId != "" {
				id = c.HarmId
			}
			c.Name = r.Name + "/codings/" + id
			cp, err := record.Put(c, c.Name, record.KindCoding, record.VerbCode, 0)
			if err != nil {
				return nil, 0, 0, 0, err
			}
			puts, reports, codings = append(puts, rp, cp), append(reports, r), append(codings, c)
		}
		begun := time.Now()
		_, err := l.Write(ctx, actor, func(ctx context.Context, tx ledger.Tx) error {
			for _, p := range puts {
				if _, err := tx.Put(ctx, p); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return nil, 0, 0, 0, err
		}
		wrote += time.Since(begun)
		begun = time.Now()
		if err := rawBatch(ctx, base, reports, codings, puts); err != nil {
			return nil, 0, 0, 0, err
		}
		rawWrote += time.Since(begun)
		begun = time.Now()
		if err := plainBatch(ctx, plain, engine, puts); err != nil {
			return nil, 0, 0, 0, err
		}
		plainWrote += time.Since(begun)
	}
	return words, wrote, rawWrote, plainWrote, nil
}

func plainBatch(ctx context.Context, plain *sql.DB, engine rawEngine, puts []ledger.Put) error {
	tx, err := plain.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	insert, err := tx.PrepareContext(ctx, engine.text("INSERT INTO raw_row(name,kind,body) VALUES(?,?,?)"))
	if err != nil {
		return err
	}
	for _, p := range puts {
		if _, err := insert.ExecContext(ctx, p.Name, p.Kind, p.Body); err != nil {
			return err
		}
	}
	return tx.Commit()
}

func rawBatch(ctx context.Context, base *sql.DB, reports []*pb.Report, codings []*pb.Coding, puts []ledger.Put) error {
	tx, err := base.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	for i, r := range reports {
		var place int
		if _, err := fmt.Sscanf(r.Workplace, "workplaces/place-%d", &place); err != nil {
			return err
		}
		outcome := 0
		if len(r.Harms) > 0 {
			outcome = int(r.Harms[0].Outcome)
		}
		t := r.OccurTime.AsTime()
		res, err := tx.ExecContext(ctx, "INSERT INTO report(name,kind,place,year,month,mechanism,outcome,body) VALUES(?,?,?,?,?,?,?,?)",
			r.Name, int(r.Kind), place, t.Year(), t.Year()*12+int(t.Month()), codings[i].Mechanism, outcome, puts[2*i].Body)
		if err != nil {
			return err
		}
		id, err := res.LastInsertId()
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, "INSERT INTO told(rowid, narrative) VALUES(?,?)", id, r.Narrative); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// benchSearch asks for a word in a year at a workplace.
func benchSearch(ctx context.Context, s *search.Service, base *sql.DB, words []string) (row, error) {
	who := access.With(ctx, access.Principal{Name: "principals/bench", Roles: []pb.Role{pb.Role_ROLE_ADVISER}})
	var ours, raw []time.Duration
	for round := range 3 {
		for i, w := range words {
			year, place := 2016+(i+round)%years, (i*7+round)%places
			begun := time.Now()
			if _, err := s.SearchReports(who, &pb.SearchReportsRequest{Words: w, Filter: &pb.ReportFilter{Workplaces: []string{placeName(place)},
				StartDate: fmt.Sprintf("%d-01-01", year), EndDate: fmt.Sprintf("%d-01-01", year+1)}}); err != nil {
				return row{}, err
			}
			ours = append(ours, time.Since(begun))
			begun = time.Now()
			r, err := base.QueryContext(ctx, `SELECT r.name FROM told CROSS JOIN report r ON r.id = told.rowid
				WHERE told MATCH ? AND +r.place = ? AND +r.year = ? ORDER BY told.rank LIMIT 20`, w, place, year)
			if err != nil {
				return row{}, err
			}
			for r.Next() {
			}
			if err := r.Close(); err != nil {
				return row{}, err
			}
			raw = append(raw, time.Since(begun))
		}
	}
	slices.Sort(ours)
	slices.Sort(raw)
	return row{what: "search: word + year + workplace, with passages", ours: fmt.Sprintf("p50 %s p99 %s", ms(at(ours, 0.5)), ms(at(ours, 0.99))),
		baseline: fmt.Sprintf("p50 %s p99 %s SQLite FTS5", ms(at(raw, 0.5)), ms(at(raw, 0.99))),
		ratio:    fmt.Sprintf("%.2f", float64(at(ours, 0.5))/float64(at(raw, 0.5))), target: "p50 < 5 ms, <= 0.25"}, nil
}

// benchTables asks for three cross-tabulations over everything.
func benchTables(ctx context.Context, figures *facts.Facts, base *sql.DB) ([]row, error) {
	var out []row
	for _, c := range []struct {
		what       string
		rows, cols pb.Dimension
		sql        string
	}{
		{"table: mechanism by kind", pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_KIND, "SELECT mechanism, kind, count(*) FROM report GROUP BY 1, 2"},
		{"table: workplace by month", pb.Dimension_DIMENSION_WORKPLACE, pb.Dimension_DIMENSION_MONTH, "SELECT place, month, count(*) FROM report GROUP BY 1, 2"},
		{"table: mechanism by outcome", pb.Dimension_DIMENSION_MECHANISM, pb.Dimension_DIMENSION_OUTCOME, "SELECT mechanism, outcome, count(*) FROM report GROUP BY 1, 2"},
	} {
		var ours, raw []time.Duration
		for range 5 {
			begun := time.Now()
			if _, err := figures.Tabulate(&pb.ReportFilter{}, nil, c.rows, c.cols, 0, false); err != nil {
				return nil, err
			}
			ours = append(ours, time.Since(begun))
			begun = time.Now()
			r, err := base.QueryContext(ctx, c.sql)
			if err != nil {
				return nil, err
			}
			for r.Next() {
			}
			if err := r.Close(); err != nil {
				return nil, err
			}
			raw = append(raw, time.Since(begun))
		}
		slices.Sort(ours)
		slices.Sort(raw)
		out = append(out, row{what: c.what, ours: ms(at(ours, 0.5)), baseline: ms(at(raw, 0.5)) + " SQL GROUP BY",
			ratio: fmt.Sprintf("%.0f x faster", float64(at(raw, 0.5))/float64(at(ours, 0.5))), target: ">= 50 x, < 20 ms at 1M"})
	}
	return out, nil
}
