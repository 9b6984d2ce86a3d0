package main

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"fairlead/analytics/cause"
	"fairlead/analytics/dist"
	"fairlead/analytics/rate"
	"fairlead/analytics/spc"
)

// The board and the grid that are measured: a large organisation's.
const (
	boardPlaces, boardMeasures, boardMonths = 200, 20, 60
	gridPlaces, gridKinds, gridMonths       = 200, 30, 24

	replicates = 999 // what a scan commonly simulates
	simulated  = 19  // what R is made to simulate, to be scaled
)

// benchNumbers times the mathematics on one core, beside R doing the same.
func benchNumbers(ctx context.Context, dir string) ([]row, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	rng := rand.New(rand.NewPCG(7, 7))
	series, grid := newBoard(rng), newGrid(rng)
	var signals int
	board, err := best(5, func() (err error) { signals, err = drawBoard(series); return err })
	if err != nil {
		return nil, err
	}
	var found cause.ScanResult
	scan, err := best(3, func() (err error) { found, err = cause.Scan(grid, cause.ScanOptions{}); return err })
	if err != nil {
		return nil, err
	}
	rBoard, rScan, err := inR(ctx, dir, series, grid)
	if err != nil {
		return nil, err
	}
	rows := []row{
		{what: fmt.Sprintf("%d charts of %d months: kind, limits, rules, rate", len(series), boardMonths), ours: fmt.Sprintf("%s, %d signals", board.Round(time.Millisecond), signals), target: "under 100 ms"},
		{what: fmt.Sprintf("scan of %d places x %d kinds x %d months", gridPlaces, gridKinds, gridMonths), ours: fmt.Sprintf("%s, exact, %d windows", scan.Round(time.Millisecond), found.Windows), target: "under 2 s"},
	}
	if rBoard == 0 {
		rows[0].baseline, rows[1].baseline = "Rscript is not installed", "Rscript is not installed"
		return rows, nil
	}
	rows[0].baseline, rows[0].ratio = fmt.Sprintf("R %s, all u, none chosen", rBoard.Round(time.Millisecond)), fmt.Sprintf("%.1f", rBoard.Seconds()/board.Seconds())
	rows[1].baseline, rows[1].ratio = fmt.Sprintf("R %s for %d replicates", rScan.Round(time.Millisecond), replicates), fmt.Sprintf("%.1f", rScan.Seconds()/scan.Seconds())
	return rows, nil
}

// best returns the shortest of several runs.
func best(runs int, f func() error) (time.Duration, error) {
	var least time.Duration
	for i := range runs {
		begun := time.Now()
		if err := f(); err != nil {
			return 0, err
		}
		if took := time.Since(begun); i == 0 || took < least {
			least = took
		}
	}
	return least, nil
}

// newBoard draws counts and hours: measures from one case in five months to
// twenty a month, hours that vary by a fifth.
func newBoard(rng *rand.Rand) [][]spc.Period {
	out := make([][]spc.Period, 0, boardPlaces*boardMeasures)
	for range boardPlaces {
		hours := 3000 + 30_000*rng.Float64()
		for m := range boardMeasures {
			perHour := []float64{0.2, 1, 3, 8, 20}[m%5] / 20_000
			s := make([]spc.Period, boardMonths)
			for t := range s {
				e := hours * (0.8 + 0.4*rng.Float64())
				s[t] = spc.Period{Count: int(distuv.Poisson{Lambda: perHour * e, Src: rng}.Rand()), Exposure: e}
			}
			out = append(out, s)
		}
	}
	return out
}

// newGrid draws reports by place, kind and month, half a report in each cell.
func newGrid(rng *rand.Rand) cause.Grid {
	g := cause.Grid{Places: gridPlaces, Kinds: gridKinds, Periods: gridMonths, Counts: make([]int, gridPlaces*gridKinds*gridMonths)}
	for i := range g.Counts {
		g.Counts[i] = int(distuv.Poisson{Lambda: 0.5, Src: rng}.Rand())
	}
	return g
}

// drawBoard makes every chart of the board, as a page does: the kind chosen by
// the data, limits, rules, and the rate of the last year with its interval.
func drawBoard(series [][]spc.Period) (signals int, err error) {
	limits, err := dist.NewCountLimits(0.95)
	if err != nil {
		return 0, err
	}
	for _, s := range series {
		ch, err := spc.Choose(s, rate.PerMillion)
		if err != nil {
			return 0, err
		}
		if ch.Options.Kind != spc.NoChart {
			c, err := spc.New(s, ch.Options)
			if err != nil {
				return 0, err
			}
			signals += len(c.Signals)
		}
		n := 0
		for _, p := range s[len(s)-12:] {
			n += p.Count
		}
		if _, _, err := limits.Interval(n); err != nil {
			return 0, err
		}
	}
	return signals, nil
}

// boardR does what a statistician would write in R: whole matrices at a time.
// It draws u-charts with exact limits for all series, which is less than our
// board does: it chooses no kind.
const boardR = `
n <- as.matrix(read.csv("counts.csv", header=FALSE)); e <- as.matrix(read.csv("hours.csv", header=FALSE))
board <- function() {
  m <- e * (rowSums(n) / rowSums(e))
  up <- qpois(0.00135, m, lower.tail=FALSE); lo <- qpois(0.00135, m); lo[ppois(lo, m) <= 0.00135] <- lo[ppois(lo, m) <= 0.00135] + 1
  out <- sum(n > up | n < lo)
  side <- sign(n - m)
  runs <- sum(apply(side, 1, function(s) { r <- rle(s); sum(r$lengths >= 8 & r$values != 0) }))
  last <- rowSums(n[, (ncol(n) - 11):ncol(n)])
  ci <- cbind(qgamma(0.025, last), qgamma(0.975, last + 1))
  out + runs
}
t <- min(sapply(1:3, function(i) system.time(s <<- board())[["elapsed"]]))
g <- array(scan("grid.txt", quiet=TRUE), c(MONTHS, KINDS * PLACES))
scan1 <- function(g) {
  tot <- colSums(g); kind <- rep(1:KINDS, PLACES)
  season <- sapply(1:KINDS, function(k) rowSums(g[, kind == k])); season <- sweep(season, 2, pmax(1, colSums(season)), "/")
  best <- 0
  for (l in 1:6) {
    w <- colSums(g[(MONTHS - l + 1):MONTHS, , drop=FALSE]); s <- colSums(season[(MONTHS - l + 1):MONTHS, , drop=FALSE])[kind]
    x <- w * log(w / (s * tot)) + ifelse(tot > w, (tot - w) * log((tot - w) / ((1 - s) * tot)), 0)
    best <- max(best, x[w >= 3 & w > s * tot], na.rm=TRUE)
  }
  list(best=best, season=season, tot=tot, kind=kind)
}
u <- system.time({
  o <- scan1(g)
  sim <- replicate(SIM, { h <- sapply(seq_along(o$tot), function(i) rmultinom(1, o$tot[i], o$season[, o$kind[i]])); scan1(h)$best })
})[["elapsed"]]
cat(sprintf("board %.6f scan %.6f\n", t, u))
`

var said = regexp.MustCompile(`board ([\d.]+) scan ([\d.]+)`)

// inR times R on the same numbers; zeros where Rscript is not installed. The
// scan is scaled from the replicates R is made to simulate.
func inR(ctx context.Context, dir string, series [][]spc.Period, g cause.Grid) (board, scan time.Duration, err error) {
	r, err := exec.LookPath("Rscript")
	if err != nil {
		return 0, 0, nil
	}
	write := func(name string, lines func(*bufio.Writer)) {
		f, ferr := os.Create(filepath.Join(dir, name))
		if ferr != nil {
			err = ferr
			return
		}
		w := bufio.NewWriter(f)
		lines(w)
		if ferr := w.Flush(); ferr != nil {
			err = ferr
		}
		if ferr := f.Close(); ferr != nil {
			err = ferr
		}
	}
	matrix := func(name string, cell func(spc.Period) float64) {
		write(name, func(w *bufio.Writer) {
			for _, s := range series {
				for t, p := range s {
					if t > 0 {
						fmt.Fprint(w, ",")
					}
					fmt.Fprint(w, strconv.FormatFloat(cell(p), 'g', -1, 64))
				}
				fmt.Fprintln(w)
			}
		})
	}
	err = nil
	matrix("counts.csv", func(p spc.Period) float64 { return float64(p.Count) })
	matrix("hours.csv", func(p spc.Period) float64 { return p.Exposure })
	write("grid.txt", func(w *bufio.Writer) {
		for _, n := range g.Counts {
			fmt.Fprintln(w, n)
		}
	})
	write("board.R", func(w *bufio.Writer) {
		fmt.Fprintf(w, "PLACES <- %d; KINDS <- %d; MONTHS <- %d; SIM <- %d\n%s", g.Places, g.Kinds, g.Periods, simulated, boardR)
	})
	if err != nil {
		return 0, 0, err
	}
	cmd := exec.CommandContext(ctx, r, "--vanilla", "board.R")
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		return 0, 0, fmt.Errorf("R: %w: %s", err, out)
	}
	m := said.FindStringSubmatch(string(out))
	if m == nil {
		return 0, 0, fmt.Errorf("R said %q", out)
	}
	seconds := func(s string) time.Duration {
		v, perr := strconv.ParseFloat(s, 64)
		if perr != nil {
			err = perr
		}
		return time.Duration(v * float64(time.Second))
	}
	board, scan = seconds(m[1]), seconds(m[2])*(replicates+1)/(simulated+1)
	return board, scan, err
}
