package compute

import (
	"flag"
	"os"
	"testing"
)

// TestMain draws fewer inputs per method than rapid's usual hundred: there are
// sixty methods. -rapid.checks asks for more.
func TestMain(m *testing.M) {
	flag.Parse()
	asked := false
	flag.Visit(func(f *flag.Flag) { asked = asked || f.Name == "rapid.checks" })
	if f := flag.Lookup("rapid.checks"); f != nil && !asked {
		if err := f.Value.Set("25"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
