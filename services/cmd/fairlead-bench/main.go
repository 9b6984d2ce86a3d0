// Command fairlead-bench measures the service beside raw baselines in one run
// and prints one table of ratios. Only ratios travel from machine to machine.
package main

import (
	"context"
	"flag"
	"fmt"
	"log"
	"os"
	"os/signal"
	"path/filepath"
	"runtime"
	"runtime/pprof"
	"time"
	_ "time/tzdata"
)

func main() {
	n := flag.Int("n", 100_000, "how many generated reports")
	writers := flag.Int("writers", 64, "how many devices file at once")
	span := flag.Duration("span", 5*time.Second, "how long each filing run takes")
	dir := flag.String("dir", "", "folder for the data; empty: a temporary one, removed at the end")
	database := flag.String("database", "", "address of an empty PostgreSQL database to measure in place of SQLite, postgres://…")
	profile := flag.String("cpuprofile", "", "write a CPU profile of the whole run to this file")
	flag.Parse()
	if *profile != "" {
		f, err := os.Create(*profile)
		if err != nil {
			log.Fatal(err)
		}
		defer f.Close()
		if err := pprof.StartCPUProfile(f); err != nil {
			log.Fatal(err)
		}
		defer pprof.StopCPUProfile()
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, *n, *writers, *span, *dir, *database); err != nil {
		log.Fatal(err)
	}
}

// row is one line of the table.
type row struct{ what, ours, baseline, ratio, target string }

func run(ctx context.Context, n, writers int, span time.Duration, dir, database string) error {
	if err := mustBeEmpty(ctx, database); err != nil {
		return err
	}
	if dir == "" {
		tmp, err := os.MkdirTemp("", "fairlead-bench-*")
		if err != nil {
			return err
		}
		defer os.RemoveAll(tmp)
		dir = tmp
	}
	engine := "SQLite"
	if database != "" {
		engine = "PostgreSQL"
	}
	fmt.Printf("%s, %d reports, %d devices, %s, %d processors, %s\n\n", engine, n, writers, runtime.Version(), runtime.GOMAXPROCS(0), time.Now().Format(time.DateOnly))
	var rows []row
	filing, err := benchFiling(ctx, filepath.Join(dir, "filing"), database, writers, span)
	if err != nil {
		return fmt.Errorf("filing: %w", err)
	}
	rows = append(rows, filing...)
	more, err := benchReading(ctx, filepath.Join(dir, "reading"), database, n)
	if err != nil {
		return fmt.Errorf("reading: %w", err)
	}
	rows = append(rows, more...)
	rows = append(rows, memory())
	numbers, err := benchNumbers(ctx, filepath.Join(dir, "numbers"))
	if err != nil {
		return fmt.Errorf("numbers: %w", err)
	}
	rows = append(rows, numbers...)
	fmt.Printf("%-52s %-26s %-30s %-12s %s\n", "", "service", "baseline", "ratio", "target")
	for _, r := range rows {
		fmt.Printf("%-52s %-26s %-30s %-12s %s\n", r.what, r.ours, r.baseline, r.ratio, r.target)
	}
	return nil
}
