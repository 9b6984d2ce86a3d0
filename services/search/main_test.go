package search_test

import (
	"flag"
	"os"
	"testing"
)

// TestMain draws fewer histories than usual: each opens a real ledger and a
// real index on disk. Give -rapid.checks for more.
func TestMain(m *testing.M) {
	flag.Parse()
	given := false
	flag.Visit(func(f *flag.Flag) { given = given || f.Name == "rapid.checks" })
	if !given {
		if err := flag.Set("rapid.checks", "25"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
