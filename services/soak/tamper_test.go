package soak

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	_ "modernc.org/sqlite" // reads every table without the ledger's own code
)

// quiet fills a data folder with a few hundred writes and stops the server, so
// that everything is in one file.
func quiet(t *testing.T, seed uint64, writes int64) *house {
	t.Helper()
	h := newHouse(t, seed, filepath.Join(t.TempDir(), "data"), 6, 0)
	h.crew.begin(t, time.Minute)
	waitFor(t, h, "writes", writes)
	h.crew.end(t)
	h.down(t, (*process).quit)
	requireClean(t, h.args...)
	return h
}

// verdict is what `check` made of a file.
type verdict struct {
	code int
	said string
}

// judge runs `check` on a ledger file.
func judge(t *testing.T, path string, more ...string) verdict {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, binary, append([]string{"check", "--backup", path}, more...)...)
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGQUIT) }
	out, err := cmd.CombinedOutput()
	require.NoError(t, ctx.Err(), "check hangs:\n%s", out)
	v := verdict{said: string(out)}
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		v.code = exit.ExitCode()
	} else {
		require.NoError(t, err)
	}
	require.NotContains(t, v.said, "panic", "%s", v.said)
	require.NotContains(t, strings.ToLower(v.said), stem, "what was told is in what check says")
	return v
}

// TestTamper_bytes turns over a bit of one byte of the ledger's file, in a few
// hundred places: `check` says so and how, or the byte means nothing, since
// every table still reads as before.
func TestTamper_bytes(t *testing.T) {
	t.Parallel()
	seed, rng := chance(t)
	h := quiet(t, seed, 150)
	whole, err := os.ReadFile(filepath.Join(h.data, "ledger.db"))
	require.NoError(t, err)
	before := contents(t, filepath.Join(h.data, "ledger.db"))
	require.Contains(t, before, "changes")
	places := max(50, *kills/2)
	found, named, meaningless, missed := 0, 0, 0, map[string]int{}
	for i := range places {
		// Spread over the whole file, so that no page is spared by chance.
		at := i*len(whole)/places + rng.IntN(len(whole)/places)
		bit := byte(1) << rng.IntN(8)
		path := filepath.Join(t.TempDir(), "ledger.db")
		torn := bytes.Clone(whole)
		torn[at] ^= bit
		require.NoError(t, os.WriteFile(path, torn, 0o600))
		switch v := judge(t, path); v.code {
		case 0:
			if other := difference(before, contents(t, path)); len(other) > 0 {
				missed[strings.Join(other, ", ")]++
				continue
			}
			meaningless++
		case 1:
			require.Contains(t, v.said, "first broken", "byte %d", at)
			found++
			if strings.Contains(v.said, "change ") {
				named++
			}
		default:
			// It could not be checked in full, and says so.
			require.Equal(t, 2, v.code, "byte %d: %s", at, v.said)
			found++
		}
		require.NoError(t, os.Remove(path))
	}
	t.Logf("%d bytes of a file of %d KB turned: %d found (%d of them in a change that is named), %d without meaning (%.0f %%), unseen in tables outside the chain %v",
		places, len(whole)>>10, found, named, meaningless, 100*float64(meaningless)/float64(places), missed)
	for tables := range missed {
		require.Contains(t, outsideTheChain, tables, "bytes that mean something, and that check does not find")
	}
	require.Greater(t, found, places/2)
}

// outsideTheChain are tables whose contents no hash guards, so that a changed
// byte in them may go unseen: what a replay is answered and its fingerprint, and
// the keys that names are claimed by. Whoever gives them a hash takes them out
// here.
var outsideTheChain = []string{"goose_db_version"}

// contents is a hash of every table, and of the schema, by its name. A table that
// cannot be read has none.
func contents(t *testing.T, path string) map[string]string {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro&immutable=1")
	require.NoError(t, err)
	defer db.Close()
	out := map[string]string{}
	read := func(name, query string) []string {
		sum := sha256.New()
		first := rows(db, sum.Write, query)
		if first != nil {
			out[name] = hex.EncodeToString(sum.Sum(nil))
		}
		return first
	}
	read("the schema", "SELECT type, name, tbl_name, sql FROM sqlite_schema ORDER BY type, name")
	for _, table := range read("the list of tables", "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name") {
		read(table, fmt.Sprintf("SELECT * FROM %q NOT INDEXED", table))
	}
	return out
}

// difference names the tables that read otherwise.
func difference(before, after map[string]string) (names []string) {
	for name, sum := range before {
		if after[name] != sum {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// rows hands every row to write and returns the first columns, or nil for what
// cannot be read.
func rows(db *sql.DB, write func([]byte) (int, error), query string) []string {
	r, err := db.Query(query)
	if err != nil {
		return nil
	}
	defer r.Close()
	names, err := r.Columns()
	if err != nil {
		return nil
	}
	first := []string{}
	for r.Next() {
		values := make([]any, len(names))
		to := make([]any, len(names))
		for i := range values {
			to[i] = &values[i]
		}
		if r.Scan(to...) != nil {
			return nil
		}
		_, _ = write(fmt.Appendf(nil, "%T%q\n", values, fmt.Sprintf("%v", values)))
		first = append(first, fmt.Sprint(values[0]))
	}
	if r.Err() != nil {
		return nil
	}
	return first
}

// TestTamper_pages cuts the file, exchanges pages, and puts an older copy in its
// place, which only a checkpoint that was noted elsewhere can show.
func TestTamper_pages(t *testing.T) {
	t.Parallel()
	seed, rng := chance(t)
	h := quiet(t, seed, 100)
	file := filepath.Join(h.data, "ledger.db")
	older, err := os.ReadFile(file)
	require.NoError(t, err)
	h.start(t)
	h.crew.again(t, time.Minute)
	waitFor(t, h, "more writes", h.crew.tally.acked.Load()+50)
	h.crew.end(t)
	h.down(t, (*process).quit)
	whole, err := os.ReadFile(file)
	require.NoError(t, err)
	noted := filepath.Join(t.TempDir(), "noted.txt")
	out, err := tool("checkpoint", "--data", h.data, "--out", noted)
	require.NoError(t, err, out)

	try := func(content []byte, more ...string) verdict {
		path := filepath.Join(t.TempDir(), "ledger.db")
		require.NoError(t, os.WriteFile(path, content, 0o600))
		return judge(t, path, more...)
	}
	require.Zero(t, try(whole, "--checkpoint", noted).code)
	const page = 4096
	pages := len(whole) / page
	tries := max(12, *kills/10)
	for range tries {
		cut := 1 + rng.IntN(len(whole)-1)
		require.NotZero(t, try(whole[:cut]).code, "cut to %d of %d bytes", cut, len(whole))
	}
	harmless := 0
	before := contents(t, file)
	for range tries {
		i, j := rng.IntN(pages), rng.IntN(pages)
		swapped := bytes.Clone(whole)
		copy(swapped[i*page:], whole[j*page:(j+1)*page])
		copy(swapped[j*page:], whole[i*page:(i+1)*page])
		if bytes.Equal(swapped, whole) {
			continue
		}
		if v := try(swapped); v.code == 0 {
			path := filepath.Join(t.TempDir(), "ledger.db")
			require.NoError(t, os.WriteFile(path, swapped, 0o600))
			require.Empty(t, difference(before, contents(t, path)), "pages %d and %d exchanged, and check finds nothing", i+1, j+1)
			harmless++
		}
	}
	// An older copy is sound in itself: only what was noted elsewhere tells.
	require.Zero(t, try(older).code)
	v := try(older, "--checkpoint", noted)
	require.Equal(t, 1, v.code, v.said)
	t.Logf("%d cuts found; pages exchanged as often, %d times without meaning; an older copy is found by a checkpoint", tries, harmless)
}
